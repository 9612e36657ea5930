// @ts-check
/** Boxes to tick and lines to fill in that keep what is given in a draft, so that nothing typed is lost. */

import { h } from "./dom.js";

/**
 * What a refused closing stated, to be corrected and not given again. What was told and counted is ticked anew.
 * @param {import("./round.js").Act | undefined} act
 */
export const stated = (act) =>
  act && {
    name: act.content.contact_name ?? "",
    reason: act.content.no_signature_reason ?? "",
    signature: act.content.signature ?? null,
    done_on: act.content.done_on,
    isDaySure: true,
  };

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
