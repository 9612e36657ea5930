// @ts-check
/** Follows a search for a better plan: asks the server once a second and shows what it found so far. */

const FIRST_MS = 300;
const EVERY_MS = 1000;

/**
 * @param {(text: string) => void} tell says something to those who listen
 * @param {() => Promise<void> | null} take puts the find of a search that follows a new plan in the plan's
 *   place; null while a hand is at work on the board
 */
export function watchSearch(tell, take) {
  const box = /** @type {HTMLElement | null} */ (document.querySelector("[data-search][data-running]"));
  if (!box) return;
  const said = /** @type {HTMLElement | null} */ (box.querySelector("[data-search-said]"));
  const bar = /** @type {HTMLProgressElement | null} */ (box.querySelector("[data-search-bar]"));

  // Each find is tried once: what the server refuses is not asked for again and again.
  /** @type {number | null} */ let tried = null;

  const ask = async () => {
    try {
      const answer = await fetch(box.dataset.searchAddress ?? "", {
        headers: { Accept: "application/json" }, credentials: "same-origin",
      });
      const got = await answer.json();
      if (said && said.textContent !== got.said) said.textContent = got.said;
      if (bar) bar.value = got.elapsed_s;
      if (got.offers !== null && got.offers !== tried) {
        const taking = take();
        if (taking) {
          tried = got.offers;
          await taking;
          window.setTimeout(ask, got.is_open ? EVERY_MS : 0);
          return;
        }
      }
      if (!got.is_open) {
        const fresh = document.createElement("div");
        fresh.innerHTML = got.html;
        box.replaceWith(...fresh.childNodes);
        tell(got.said);
        return;
      }
    } catch {
      if (said) said.textContent = "The server does not answer; the search goes on there.";
    }
    window.setTimeout(ask, EVERY_MS);
  };
  window.setTimeout(ask, FIRST_MS);
}
