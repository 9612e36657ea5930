// @ts-check
/** Boxes to tick and lines to fill in that keep what is given in a draft, so that nothing typed is lost. */

import { h } from "./dom.js";

/**
 * @param {Record<string, any>} draft
 * @param {() => void} onChange  after each change of the draft
 */
export const draftFields = (draft, onChange) => ({
  /** @param {string} name @param {string} label */
  tick: (name, label) =>
    h(
      "label",
      { class: "check" },
      h("input", {
        type: "checkbox",
        checked: draft[name],
        on: {
          change: (/** @type {any} */ e) => {
            draft[name] = e.target.checked;
            onChange();
          },
        },
      }),
      h("span", null, label),
    ),
  /** @param {string} name @param {Record<string, any>} [props] */
  text: (name, props) => {
    const input = h("input", {
      autocomplete: "off",
      maxlength: 200,
      value: draft[name],
      ...props,
      on: {
        input: () => {
          draft[name] = input.value;
          onChange();
        },
      },
    });
    return input;
  },
});
