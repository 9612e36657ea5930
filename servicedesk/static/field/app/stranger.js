// @ts-check
/**
 * Somebody is signed in whose day is not on this phone, while that of another person is: nobody works on it
 * by mistake.
 */

import { button, config, count, go, h, icon, notice, redraw } from "./dom.js";
import { storing } from "./home.js";
import { actsIn, noteStranger, recall, storedDay } from "./store.js";

/** @returns {Promise<import("./dom.js").Screen>} */
export const screen = async () => {
  const [person, stranger, acts] = await Promise.all([recall("person"), recall("stranger"), actsIn("waiting")]);
  const owner = (await storedDay(person))?.person.name ?? "somebody else";
  const waiting = acts.filter((act) => act.person === person).length;
  const isOffline = !navigator.onLine;
  const { store_button, steps, isStoring } = storing(
    `Store the day of ${stranger.name}`,
    true,
    `The day of ${owner} is still here.`,
    () => go(""),
  );
  return {
    title: "Whose visits?",
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "Whose visits?"),
      notice(
        "soon",
        "person",
        h("strong", null, `${stranger.name} is signed in. The day on this phone is that of ${owner}.`),
        h("p", null, `${stranger.name}: store your own day before you record anything.`),
      ),
      h("section", { class: "app-stored", "aria-label": "Store the day" }, store_button, steps),
      h(
        "p",
        null,
        `The day of ${owner} stays on this phone. `,
        waiting
          ? `${count(waiting, "record")} of ${owner} ${waiting === 1 ? "waits" : "wait"} here, to go out when ` +
              `${owner} signs in on this phone.`
          : `It opens again when ${owner} signs in on this phone.`,
      ),
      h("p", null, h("a", { class: "button", href: config.signIn }, icon("lock"), `Sign in as ${owner}`)),
      isOffline
        ? h(
            "section",
            { class: "stack stack-tight" },
            h(
              "p",
              null,
              `No signal to sign in? What you record as ${owner} waits until ${owner} signs in here.`,
            ),
            button(`I am ${owner}: go on`, () => void noteStranger(null)),
          )
        : null,
    ),
    refresh: (what) => {
      if (what === "link" && isOffline === navigator.onLine && !isStoring()) redraw();
    },
  };
};
