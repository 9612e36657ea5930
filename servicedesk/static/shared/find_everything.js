// @ts-check
/**
 * The search box of the frame (`<form data-find-everything="address">`): offers what fits while one types, as
 * a combobox with a list (WAI-ARIA). `/` goes to the box, arrows walk through the list, Enter opens what is
 * chosen or, with nothing chosen, the page of results. Without this module the form opens that page.
 */

import { moveTo } from "./row_keys.js";

const WAIT_MS = 120;
const LEAST_LETTERS = 3;

/** @typedef {{title: string, detail: string, url: string}} Hit */
/** @typedef {{label: string, is_more: boolean, hits: Hit[]}} Group */

/**
 * Whether the text is worth asking about: three letters or figures of a word, or of a number typed in parts.
 * @param {string} text
 */
export const isLongEnough = (text) => text.replace(/[\s\-./'’:_]/g, "").length >= LEAST_LETTERS;

/**
 * Where the choice goes: -1 is the box itself, and either end leads back to it.
 * @param {string} key
 * @param {number} at
 * @param {number} count
 */
export const choose = (key, at, count) => {
  if (key === "ArrowDown") return at + 1 < count ? at + 1 : -1;
  if (key === "ArrowUp") return at < 0 ? count - 1 : at - 1;
  return at < 0 ? at : moveTo(key, at, count);
};

/** @param {EventTarget | null} target */
const isTypedInto = (target) =>
  target instanceof HTMLElement && (target.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));

/** @param {HTMLFormElement} form */
const offer = (form) => {
  const input = /** @type {HTMLInputElement} */ (form.querySelector("input[type='search']"));
  const list = document.createElement("div");
  list.id = "find-offers";
  list.className = "find-offers";
  list.setAttribute("role", "listbox");
  list.setAttribute("aria-label", "Found");
  list.hidden = true;
  const said = document.createElement("p");
  said.className = "visually-hidden";
  said.setAttribute("role", "status");
  form.append(list, said);
  const set = (/** @type {Record<string, string>} */ given) => {
    for (const [name, value] of Object.entries(given)) input.setAttribute(name, value);
  };
  set({ role: "combobox", "aria-expanded": "false", "aria-controls": list.id, "aria-autocomplete": "list" });

  /** @type {HTMLElement[]} */
  let options = [];
  let chosen = -1;
  let timer = 0;
  let asked = 0;

  /** @param {number} to */
  const mark = (to) => {
    options[chosen]?.setAttribute("aria-selected", "false");
    chosen = to;
    const option = options[chosen];
    if (!option) {
      input.removeAttribute("aria-activedescendant");
      return;
    }
    option.setAttribute("aria-selected", "true");
    set({ "aria-activedescendant": option.id });
    option.scrollIntoView({ block: "nearest" });
  };
  const close = () => {
    asked += 1; // An answer that is still on its way comes too late.
    window.clearTimeout(timer);
    mark(-1);
    list.hidden = true;
    set({ "aria-expanded": "false" });
  };
  /** @param {HTMLElement} option */
  const open = (option) => window.location.assign(option.dataset.url ?? "");

  /** @param {Group[]} groups */
  const show = (groups) => {
    mark(-1);
    options = [];
    list.replaceChildren(
      ...groups.map((group, place) => {
        const box = document.createElement("div");
        box.setAttribute("role", "group");
        box.setAttribute("aria-labelledby", `find-group-${place}`);
        const head = document.createElement("p");
        head.id = `find-group-${place}`;
        head.textContent = group.is_more ? `${group.label}, and more` : group.label;
        head.setAttribute("role", "presentation");
        box.append(head);
        for (const hit of group.hits) {
          const option = document.createElement("div");
          option.id = `find-option-${options.length}`;
          option.setAttribute("role", "option");
          option.setAttribute("aria-selected", "false");
          option.dataset.url = hit.url;
          const title = document.createElement("strong");
          title.textContent = hit.title;
          const detail = document.createElement("span");
          detail.textContent = hit.detail;
          option.append(title, " ", detail);
          options.push(option);
          box.append(option);
        }
        return box;
      }),
    );
    list.hidden = options.length === 0;
    set({ "aria-expanded": String(options.length > 0) });
    said.textContent = options.length ? `${options.length} found` : "Nothing found";
  };

  input.addEventListener("input", () => {
    window.clearTimeout(timer);
    if (!isLongEnough(input.value)) {
      close();
      said.textContent = "";
      return;
    }
    timer = window.setTimeout(async () => {
      const mine = ++asked;
      const address = `${form.dataset.findEverything}?${new URLSearchParams({ q: input.value })}`;
      try {
        const answer = await fetch(address, { headers: { Accept: "application/json" } });
        // An older question may be answered last.
        if (answer.ok && mine === asked) show((await answer.json()).groups);
      } catch {
        // Without a line the form still opens its page.
      }
    }, WAIT_MS);
  });
  input.addEventListener("keydown", (event) => {
    if (event.isComposing) return;
    if (event.key === "Escape" && !list.hidden) {
      event.preventDefault();
      close();
    } else if (event.key === "Enter" && options[chosen]) {
      event.preventDefault();
      open(options[chosen]);
    } else if ((event.key === "ArrowDown" || event.key === "ArrowUp") && !list.hidden) {
      event.preventDefault();
      mark(choose(event.key, chosen, options.length));
    }
  });
  // Not a click: the box must keep the focus, or the list would be gone before.
  list.addEventListener("mousedown", (event) => event.preventDefault());
  list.addEventListener("click", (event) => {
    const option = /** @type {HTMLElement | null} */ (
      event.target instanceof Element ? event.target.closest("[role='option']") : null
    );
    if (option) open(option);
  });
  form.addEventListener("focusout", (event) => {
    if (!form.contains(/** @type {Node | null} */ (event.relatedTarget))) close();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || isTypedInto(event.target)) return;
    event.preventDefault();
    input.focus();
    input.select();
  });
};

for (const form of document.querySelectorAll("form[data-find-everything]")) {
  offer(/** @type {HTMLFormElement} */ (form));
}
