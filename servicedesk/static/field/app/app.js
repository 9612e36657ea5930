// @ts-check
/** Start of the app: which screen is shown, the bar above it, the worker that keeps it on the phone. */

import { appearance, button, byId, chip, config, h, icon, setAppearance } from "./dom.js";
import { home } from "./home.js";
import { db, deviceId, onChange, outboxCounts, recall, remember } from "./store.js";

/** Screens by the first word of their address; all but the first are fetched when wanted, or behind the first. */
/** @type {Record<string, () => Promise<{screen: (words: string[], query: URLSearchParams) => Promise<Screen>}>>} */
const SCREENS = {
  "": async () => ({ screen: home }),
  visit: () => import("./walk.js"),
  unit: () => import("./unit.js"),
  event: () => import("./event.js"),
  add: () => import("./adding.js"),
  close: () => import("./closing.js"),
  survey: () => import("./survey.js"),
  reading: () => import("./reading.js"),
  absent: () => import("./absent.js"),
  surveyed: () => import("./surveyed.js"),
  sending: () => import("./sending.js"),
  van: () => import("./van.js"),
};

/** @typedef {import("./dom.js").Screen} Screen */

/** @type {Screen | null} */
let shown = null;
let wanted = 0;
let drawn = 0;
/** What changed while the next screen was being drawn: it is told, the one that is left is not. */
const missed = new Set();

/** @param {string} word */
const decoded = (word) => {
  try {
    return decodeURIComponent(word);
  } catch {
    throw new Error("This address is damaged. Go back and choose from the list.");
  }
};

const draw = async () => {
  const turn = ++wanted;
  const started = performance.now();
  const [path, query = ""] = location.hash.replace(/^#\/?/, "").split("?");
  const [name, ...rest] = path.split("/");
  let next;
  try {
    const [stranger, asked] = await Promise.all([recall("stranger"), (SCREENS[name] ?? SCREENS[""])()]);
    // Nobody works on the visits of somebody else by mistake, whichever screen is asked for.
    const { screen } = stranger ? await import("./stranger.js") : asked;
    next = await screen(rest.map(decoded), new URLSearchParams(query));
  } catch (error) {
    next = failure(/** @type {Error} */ (error));
  }
  if (turn !== wanted) return;
  shown = next;
  byId("main").replaceChildren(next.body);
  byId("foot").replaceChildren(...(next.foot ? [next.foot].flat() : []));
  document.title = `${next.title} · Visits`;
  drawBar();
  scrollTo(0, 0);
  byId("main").focus({ preventScroll: true });
  document.documentElement.dataset.screen = `${name || "home"}`;
  document.documentElement.dataset.drawn = String(Math.round(performance.now() - started));
  document.documentElement.dataset.turn = String(turn);
  drawn = turn;
  const changes = [...missed];
  missed.clear();
  for (const what of changes) shown.refresh?.(what);
};
/** @param {Error} error @returns {Screen} */
const failure = (error) => {
  console.error(error);
  return {
    title: "This did not work",
    back: "",
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "This did not work"),
      h("p", null, error.message),
      h(
        "p",
        null,
        "Nothing that you recorded is lost. Go back and try again; if it comes again, tell the office what stands here.",
      ),
    ),
  };
};

// --- the bar ---------------------------------------------------------------------------------------

const drawBar = () => {
  const back = shown?.back;
  byId("bar").replaceChildren(
    ...(back === undefined
      ? []
      : [h("a", { class: "app-back", href: `#/${back}`, "aria-label": "Back" }, icon("back"))]),
    h("span", { class: "app-name" }, shown?.title ?? ""),
    h(
      "a",
      { class: "app-link", href: "#/sending", id: "link" },
      h("span", { class: "visually-hidden" }, "Sending: "),
      linkSign,
    ),
  );
  linkSoon();
};

/** What the last look at the outbox showed: there at once when the bar is drawn anew. @type {any} */
let linkSign = null;

/** Out of the way of the screen that is about to be drawn: counting reads every act that waits. */
const LINK_MS = 150;
let linkTimer = 0;
let linkTurn = 0;
const linkSoon = () => {
  linkTurn += 1;
  clearTimeout(linkTimer);
  // Until it is counted anew nobody may take the last count for the present one.
  delete document.documentElement.dataset.waiting;
  linkTimer = setTimeout(() => void drawLink(), LINK_MS);
};

/** What is said about sending, in as few words as can be. */
const drawLink = async () => {
  const at = document.getElementById("link");
  if (!at) return;
  const turn = linkTurn;
  const person = await recall("person");
  const { waiting, refused, photos, others } = await outboxCounts(person);
  if (turn !== linkTurn) return;
  const { link } = outbox ?? { link: { state: "idle" } };
  const left = waiting + photos;
  // Signing in comes first: without it nothing goes out, not even what is put right.
  const [word, tone, drawing] =
    link.state === "signed_out" || link.state === "stranger"
      ? ["Sign in", "soon", "lock"]
      : refused
        ? [`${refused} refused`, "overdue", "overdue"]
        : left
          ? [`${left} waiting`, "soon", "upload"]
          : link.state === "offline"
            ? ["No signal", "unknown", "unknown"]
            : ["All sent", "ok", "done"];
  linkSign = chip(word, tone, drawing);
  at.replaceChildren(at.firstChild ?? "", linkSign);
  document.documentElement.dataset.waiting = String(waiting + others);
  document.documentElement.dataset.photos = String(photos);
  document.documentElement.dataset.link = link.state;
};

// --- a scanner that types ----------------------------------------------------------------------------

const FAST_MS = 40;
/**
 * Tells a scanner from a person: keys that come faster than fingers, then Enter.
 * @returns {(key: string, at_ms: number) => string | null}  the code, once it is whole
 */
export const burst = () => {
  let typed = "";
  let last = -Infinity;
  return (key, at_ms) => {
    const isFast = at_ms - last <= FAST_MS;
    last = at_ms;
    if (key === "Enter") {
      const code = isFast && typed.length >= 3 ? typed : null;
      typed = "";
      return code;
    }
    if (key.length === 1) typed = isFast ? typed + key : key;
    return null;
  };
};

const listenForScanner = () => {
  const feed = burst();
  document.addEventListener(
    "keydown",
    (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const code = feed(event.key, event.timeStamp);
      if (!code || !shown?.onCode) return;
      event.preventDefault();
      event.stopPropagation();
      // What the scanner typed into a field is taken out of it again.
      const at = document.activeElement;
      if (at instanceof HTMLInputElement && at.value.endsWith(code)) {
        at.value = at.value.slice(0, -code.length);
        at.dispatchEvent(new Event("input", { bubbles: true }));
      }
      shown.onCode(code, "scanner");
    },
    { capture: true },
  );
};

// --- the worker ------------------------------------------------------------------------------------

const keepOnPhone = async () => {
  if (!("serviceWorker" in navigator)) return;
  let isTakingOver = false;
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    if (isTakingOver) location.reload();
  });
  const registration = await navigator.serviceWorker.register(config.worker, {
    scope: new URL("./", location.origin + location.pathname).pathname,
  });
  const offer = () => {
    const { waiting } = registration;
    if (!waiting || document.getElementById("newer")) return;
    const take = button(
      "Use it now",
      () => {
        isTakingOver = true;
        waiting.postMessage("take over");
      },
      { class: "button-main" },
    );
    byId("main").before(
      h(
        "div",
        { class: "app-newer", id: "newer" },
        h("p", null, "A new version of this app is stored. What you recorded stays."),
        take,
      ),
    );
  };
  registration.addEventListener("updatefound", () => {
    const { installing } = registration;
    installing?.addEventListener("statechange", () => {
      if (installing.state === "installed" && navigator.serviceWorker.controller) offer();
    });
  });
  offer();
  await navigator.serviceWorker.ready;
  document.documentElement.dataset.kept = "yes";
  setInterval(() => registration.update().catch(() => null), 3_600_000);
};

// --- start -----------------------------------------------------------------------------------------

/** @type {typeof import("./outbox.js") | null} */
let outbox = null;

const start = async () => {
  setAppearance(appearance());
  await db();
  await deviceId();
  addEventListener("hashchange", () => void draw());
  addEventListener("redraw", () => void draw());
  listenForScanner();
  onChange((what) => {
    linkSoon();
    if (what === "person") void draw();
    else if (drawn === wanted) shown?.refresh?.(what);
    else missed.add(what);
  });
  await draw();
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
  // Behind the first screen: sending, typefaces, the other screens, the worker.
  outbox = await import("./outbox.js");
  outbox.keepSending();
  document.head.append(h("link", { rel: "stylesheet", href: config.fonts }));
  void keepOnPhone().catch((error) => console.warn("The app could not be kept on this phone.", error));
  await remember("app_version", config.version);
};

void start().catch((error) => {
  byId("main").replaceChildren(failure(error).body);
});
