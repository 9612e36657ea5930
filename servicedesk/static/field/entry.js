// @ts-check
/**
 * Makes recording one unit quicker: units of measure as chips under the figures, and only the parts of
 * the form that the chosen result asks for. Without it the whole form stands open and works alike.
 */

/**
 * Which parts of the form a result asks for. Nothing that is filled in is ever hidden.
 * @param {string} result
 */
export const partsFor = (result) => {
  const reached = result !== "not_found" && result !== "no_access";
  return {
    work: result === "" || result === "serviced" || result === "failed",
    values: reached,
    replacement: result === "replaced",
  };
};

/** Tasks whose method has to be said. */
const TESTS = new Set(["hydrostatic_test", "requalification"]);

/** @param {string[]} tasks */
export const asksForMethod = (tasks) => tasks.some((task) => TESTS.has(task));

/**
 * The chip to go to from `at` for a key of the keyboard, round the ends; -1 when the key means nothing here.
 * @param {string} key
 * @param {number} at
 * @param {number} count
 */
export const chipAfter = (key, at, count) => {
  if (key === "ArrowRight" || key === "ArrowDown") return (at + 1) % count;
  if (key === "ArrowLeft" || key === "ArrowUp") return (at - 1 + count) % count;
  return -1;
};

/**
 * Puts a row of chips in place of a drop-down of units; the drop-down keeps the value that is sent.
 * @param {HTMLSelectElement} select
 */
const makeChips = (select) => {
  const row = document.createElement("div");
  row.className = "unit-chips";
  row.setAttribute("role", "radiogroup");
  row.setAttribute("aria-label", select.getAttribute("aria-label") ?? "Unit of measure");
  const chips = [...select.options].map((option) => {
    const chip = document.createElement("button");
    chip.type = "button";
    chip.className = "unit-chip";
    chip.textContent = option.text;
    chip.setAttribute("role", "radio");
    chip.dataset.value = option.value;
    row.append(chip);
    return chip;
  });
  const show = () => {
    for (const chip of chips) {
      const chosen = chip.dataset.value === select.value;
      chip.setAttribute("aria-checked", String(chosen));
      chip.tabIndex = chosen ? 0 : -1;
    }
  };
  /** @param {HTMLButtonElement} chip */
  const choose = (chip) => {
    select.value = chip.dataset.value ?? select.value;
    select.dispatchEvent(new Event("change", { bubbles: true }));
    show();
  };
  row.addEventListener("click", (event) => {
    const chip = /** @type {HTMLElement} */ (event.target).closest("button");
    if (chip) choose(chip);
  });
  row.addEventListener("keydown", (event) => {
    const at = chips.indexOf(/** @type {HTMLButtonElement} */ (document.activeElement));
    const to = at < 0 ? -1 : chipAfter(event.key, at, chips.length);
    if (to < 0) return;
    event.preventDefault();
    choose(chips[to]);
    chips[to].focus();
  });
  show();
  select.hidden = true;
  select.parentElement?.classList.add("has-chips");
  select.after(row);
};

/** @param {HTMLFormElement} form */
const enhance = (form) => {
  for (const select of /** @type {NodeListOf<HTMLSelectElement>} */ (form.querySelectorAll("select[data-units]"))) {
    makeChips(select);
  }
  /** @param {string} name */
  const part = (name) => /** @type {HTMLElement | null} */ (form.querySelector(`[data-part="${name}"]`));
  /** @param {HTMLElement} box */
  const isFilled = (box) =>
    [...box.querySelectorAll("input, select:not([data-units]), textarea")].some((field) => {
      const input = /** @type {HTMLInputElement} */ (field);
      return input.type !== "checkbox" && input.type !== "radio" && input.value.trim() !== "";
    });
  const show = () => {
    const data = new FormData(form);
    const wanted = partsFor(String(data.get("result") ?? ""));
    for (const name of /** @type {("work" | "values" | "replacement")[]} */ (["work", "values", "replacement"])) {
      const box = part(name);
      if (!box) continue;
      const held = name !== "work" && (isFilled(box) || box.querySelector(".errorlist") !== null);
      box.toggleAttribute("data-idle", !(wanted[name] || held));
    }
    const test = part("test");
    const method = /** @type {HTMLSelectElement | null} */ (form.querySelector("select[name='method']"));
    test?.toggleAttribute(
      "data-idle",
      !asksForMethod(data.getAll("tasks").map(String)) && !method?.value && !test.querySelector(".errorlist"),
    );
  };
  form.addEventListener("change", show);
  // A finger on "serviced" goes on to the figure that the pass needs, with its number keys. Not from the
  // keyboard: there a focus that jumps while one walks through the results would be in the way.
  form.addEventListener("click", (event) => {
    const pad = /** @type {HTMLElement} */ (event.target).closest("label.choice");
    if (event.detail === 0 || pad?.querySelector("input")?.value !== "serviced") return;
    /** @type {HTMLInputElement[]} */
    const needed = [...form.querySelectorAll("[data-demanded] .reading input")].map(
      (input) => /** @type {HTMLInputElement} */ (input),
    );
    // After the click itself, which gives the focus to the pad.
    setTimeout(() => needed.find((input) => input.value.trim() === "")?.focus());
  });
  show();
};

for (const form of /** @type {NodeListOf<HTMLFormElement>} */ (document.querySelectorAll("form[data-entry]"))) {
  enhance(form);
}
