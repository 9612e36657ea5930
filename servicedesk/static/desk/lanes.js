// @ts-check
/**
 * The board of a plan: drag a visit to another lane or place, or do the same with keys. Every change is
 * sent to the server, which answers with the whole board; what it says goes to a live region. Without
 * this script each visit is a link to a form that does the same.
 */
import { watchSearch } from "./search.js";

/**
 * Where in a lane something dropped at ``at`` comes: before the first stop whose middle lies beyond it.
 * @param {number[]} middles @param {number} at @returns {number}
 */
export const placeOf = (middles, at) => {
  const found = middles.findIndex((middle) => at < middle);
  return found < 0 ? middles.length : found;
};

/** A card is at least this wide, so that a short visit can still be read. */
const LEAST_PX = 112;
const ROW_PX = 56;

/**
 * In which row each card stands so that none covers another: the first that is free.
 * @param {{left: number, width: number}[]} cards in order of their start @returns {number[]}
 */
export const rowsOf = (cards) => {
  /** @type {number[]} */ const ends = [];
  return cards.map(({ left, width }) => {
    const free = ends.findIndex((end) => end <= left);
    const row = free < 0 ? ends.length : free;
    ends[row] = left + width + 2;
    return row;
  });
};

const plan = /** @type {HTMLElement | null} */ (document.querySelector("[data-plan]"));
const board = /** @type {HTMLElement | null} */ (document.querySelector("[data-board]"));
if (plan && board) start(plan, board);

/** @param {HTMLElement} plan @param {HTMLElement} board */
function start(plan, board) {
  const said = /** @type {HTMLElement} */ (document.querySelector("[data-said]"));
  const outcome = /** @type {HTMLElement} */ (document.querySelector("[data-outcome]"));
  const panel = /** @type {HTMLElement} */ (document.querySelector("[data-chosen-panel]"));
  const mayChange = "changeable" in plan.dataset;

  /** @param {string} id @returns {HTMLAnchorElement | null} */
  const linkOf = (id) => board.querySelector(`[data-stop="${id}"] .stop-link`);
  /** @param {Element} lane @returns {HTMLElement[]} */
  const stopsIn = (lane) => [...lane.querySelectorAll(".stop")].map((stop) => /** @type {HTMLElement} */ (stop));
  const tell = (/** @type {string} */ text) => {
    said.textContent = "";
    requestAnimationFrame(() => { said.textContent = text; });
  };

  /** Put the stops of one day where the clock has them; a narrow screen keeps the list. */
  function place() {
    const lanes = /** @type {HTMLElement | null} */ (board.querySelector("[data-lanes]"));
    if (!lanes) return;
    const first = Number(lanes.dataset.first), last = Number(lanes.dataset.last);
    const share = (/** @type {number} */ at) => `${(100 * (at - first)) / Math.max(last - first, 1)}%`;
    const isDay = lanes.classList.contains("lanes-day") && window.matchMedia("(min-width: 56rem)").matches;
    for (const mark of /** @type {NodeListOf<HTMLElement>} */ (lanes.querySelectorAll("[data-at]"))) {
      mark.style.insetInlineStart = share(Number(mark.dataset.at) * 3600);
    }
    for (const list of lanes.querySelectorAll(".stops")) {
      const stops = stopsIn(list);
      const fits = isDay && stops.length > 0 && stops.every((stop) => stop.dataset.from);
      list.classList.toggle("stops-placed", fits);
      const wide = Math.max(list.clientWidth, 1);
      const spans = stops.map((stop) => {
        const left = ((Number(stop.dataset.from) - first) / Math.max(last - first, 1)) * wide;
        const length = ((Number(stop.dataset.until) - Number(stop.dataset.from)) / Math.max(last - first, 1)) * wide;
        return { left, width: Math.max(length - 2, LEAST_PX) };
      });
      const rows = rowsOf(spans);
      stops.forEach((stop, index) => {
        const { left, width } = spans[index];
        stop.style.insetInlineStart = fits ? `${Math.min(left, Math.max(wide - width, 0))}px` : "";
        stop.style.width = fits ? `${width}px` : "";
        stop.style.top = fits ? `${rows[index] * ROW_PX}px` : "";
      });
      /** @type {HTMLElement} */ (list).style.height = fits ? `${(Math.max(...rows) + 1) * ROW_PX}px` : "";
    }
  }

  // One change after the other: the second is made on what the first left, and none is lost.
  let queue = Promise.resolve();
  /** @param {Record<string, string> | FormData} fields @param {string} [focusOn] */
  const send = (fields, focusOn) => (queue = queue.then(() => sendNow(fields, focusOn)));

  /** @param {Record<string, string> | FormData} fields @param {string} [focusOn] */
  async function sendNow(fields, focusOn) {
    const data = fields instanceof FormData ? fields : new FormData();
    if (!(fields instanceof FormData)) for (const [name, value] of Object.entries(fields)) data.set(name, value);
    data.set("version", plan.dataset.version ?? "");
    data.set("back", plan.dataset.day ?? "");
    const token = /** @type {HTMLInputElement | null} */ (document.querySelector("[name=csrfmiddlewaretoken]"));
    data.set("csrfmiddlewaretoken", token?.value ?? "");
    plan.dataset.busy = "";
    board.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(plan.dataset.address ?? "", {
        method: "POST", body: data, headers: { Accept: "application/json" }, credentials: "same-origin",
      });
      if (!(answer.headers.get("Content-Type") ?? "").includes("json")) throw new Error(`${answer.status}`);
      const got = await answer.json();
      board.innerHTML = got.board;
      outcome.innerHTML = got.outcome;
      plan.dataset.version = String(got.version);
      for (const field of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("input[name=version]"))) {
        field.value = String(got.version);
      }
      place();
      tell(got.said);
      if (focusOn) linkOf(focusOn)?.focus();
      if (!panel.hidden && panel.dataset.visit) open(panel.dataset.visit, false);
    } catch (error) {
      const text = "The server did not answer, so the change may not have been made. Load the page again to see.";
      outcome.textContent = text;
      tell(text);
    } finally {
      delete plan.dataset.busy;
      board.removeAttribute("aria-busy");
    }
  }

  /** Show one visit and its form beside the board. @param {string} id @param {boolean} takeFocus */
  async function open(id, takeFocus) {
    const link = linkOf(id);
    const address = link?.href ?? `${plan.dataset.address}visit/${id}/`;
    const answer = await fetch(address, { headers: { Accept: "text/x-part" }, credentials: "same-origin" }).catch(() => null);
    if (!answer?.ok) {
      panel.hidden = true;
      return;
    }
    panel.innerHTML = await answer.text();
    panel.hidden = false;
    panel.dataset.visit = id;
    for (const stop of board.querySelectorAll("[data-chosen]")) stop.removeAttribute("data-chosen");
    link?.closest(".stop")?.setAttribute("data-chosen", "");
    if (takeFocus) /** @type {HTMLElement | null} */ (panel.querySelector("h2"))?.focus();
  }

  // --- keys -------------------------------------------------------------------------------------------

  /** @param {HTMLElement} lane @param {number} step along the row */
  const beside = (lane, step) => {
    const row = [...(lane.parentElement?.querySelectorAll("[data-lane]") ?? [])];
    return /** @type {HTMLElement | undefined} */ (row[row.indexOf(lane) + step]);
  };
  /** @param {HTMLElement} lane @param {number} step over the rows */
  const across = (lane, step) => {
    const same = [...board.querySelectorAll("[data-lane][data-on]")].filter(
      (other) => /** @type {HTMLElement} */ (other).dataset.on === lane.dataset.on,
    );
    return /** @type {HTMLElement | undefined} */ (same[same.indexOf(lane) + step]);
  };
  /** @param {HTMLElement} stop @param {HTMLElement} lane @param {number | null} position */
  const moveTo = (stop, lane, position) => {
    const fields = { do: "move", visit: stop.dataset.stop ?? "", technician: lane.dataset.technician ?? "", on: lane.dataset.on ?? "" };
    tell(`Moving ${stop.dataset.name} to ${lane.dataset.who}, ${lane.dataset.when}.`);
    return send({ ...fields, position: position === null ? "" : String(position) }, stop.dataset.stop);
  };

  board.addEventListener("keydown", (event) => {
    const link = /** @type {HTMLElement} */ (event.target).closest?.(".stop-link");
    const stop = /** @type {HTMLElement | null | undefined} */ (link?.closest(".stop"));
    const lane = /** @type {HTMLElement | null | undefined} */ (stop?.closest("[data-lane]"));
    if (!stop || !lane || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const stops = stopsIn(lane), at = stops.indexOf(stop);
    const upDown = event.key === "ArrowUp" ? -1 : event.key === "ArrowDown" ? 1 : 0;
    const side = event.key === "ArrowLeft" ? -1 : event.key === "ArrowRight" ? 1 : 0;
    const page = event.key === "PageUp" ? -1 : event.key === "PageDown" ? 1 : 0;
    if (!upDown && !side && !page) return;
    event.preventDefault();
    if (!event.altKey) {
      const onward = side ? beside(lane, side) : page ? across(lane, page) : lane;
      const goal = onward === lane ? stops[at + upDown] : onward && (stopsIn(onward)[at] ?? stopsIn(onward).at(-1));
      /** @type {HTMLElement | null | undefined} */ (goal?.querySelector(".stop-link"))?.focus();
      if (!goal) tell(onward === lane ? "No further visit in this lane." : "No visit there.");
      return;
    }
    if (!mayChange) return;
    if (upDown) {
      const position = at + upDown;
      if (!lane.dataset.on || position < 0 || position >= stops.length) tell("It cannot go further in this lane.");
      else moveTo(stop, lane, position);
      return;
    }
    const goal = side ? beside(lane, side) : across(lane, page);
    if (goal?.dataset.on) moveTo(stop, goal, null);
    else tell("There is no lane on that side.");
  });
  panel.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    const back = linkOf(panel.dataset.visit ?? "");
    panel.hidden = true;
    back?.focus();
  });

  // --- links and forms --------------------------------------------------------------------------------

  let justDragged = false;
  board.addEventListener("click", (event) => {
    const element = /** @type {HTMLElement} */ (event.target);
    const link = /** @type {HTMLElement | null} */ (element.closest(".stop-link, [data-open]"));
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    if (justDragged) return;
    const id = link.dataset.open ?? /** @type {HTMLElement} */ (link.closest(".stop")).dataset.stop ?? "";
    open(id, true);
  });
  document.addEventListener("submit", (event) => {
    const form = /** @type {HTMLFormElement} */ (event.target);
    if (!("change" in form.dataset)) return;
    event.preventDefault();
    // The guard against double sending belongs to forms that leave the page; this one stays.
    delete form.dataset.sent;
    form.removeAttribute("aria-busy");
    const data = new FormData(form, event.submitter);
    send(data, String(data.get("visit") ?? "") || undefined);
  });

  // --- dragging ---------------------------------------------------------------------------------------

  board.addEventListener("dragstart", (event) => event.preventDefault());
  board.addEventListener("pointerdown", (event) => {
    const stop = /** @type {HTMLElement | null} */ (/** @type {HTMLElement} */ (event.target).closest(".stop"));
    justDragged = false;
    // A finger scrolls; on a phone the form moves visits.
    if (!mayChange || !stop || event.button || event.pointerType === "touch") return;
    const from = { x: event.clientX, y: event.clientY };
    /** @type {HTMLElement | null} */ let ghost = null;
    /** @type {HTMLElement | null} */ let goal = null;
    let position = 0;
    const mark = document.createElement("li");
    mark.className = "drop-mark";
    mark.setAttribute("role", "presentation");

    const drag = (/** @type {PointerEvent} */ now) => {
      if (!ghost) {
        if (Math.hypot(now.clientX - from.x, now.clientY - from.y) < 6) return;
        ghost = /** @type {HTMLElement} */ (stop.cloneNode(true));
        ghost.classList.add("ghost");
        ghost.removeAttribute("style");
        document.body.append(ghost);
        stop.dataset.dragged = "";
        justDragged = true;
      }
      ghost.style.left = `${now.clientX + 8}px`;
      ghost.style.top = `${now.clientY + 8}px`;
      const under = document.elementFromPoint(now.clientX, now.clientY);
      const lane = /** @type {HTMLElement | null} */ (under?.closest("[data-lane]") ?? null);
      if (lane !== goal) goal?.removeAttribute("data-target");
      goal = lane;
      lane?.setAttribute("data-target", "");
      const list = lane?.querySelector(".stops");
      if (!lane || !list || "outLane" in lane.dataset) {
        mark.remove();
        return;
      }
      const others = stopsIn(lane).filter((other) => other !== stop);
      const placed = list.classList.contains("stops-placed");
      const middles = others.map((other) => {
        const box = other.getBoundingClientRect();
        return placed ? box.left + box.width / 2 : box.top + box.height / 2;
      });
      position = placeOf(middles, placed ? now.clientX : now.clientY);
      if (placed) {
        const box = list.getBoundingClientRect();
        mark.style.insetInlineStart = `${now.clientX - box.left}px`;
        list.append(mark);
      } else {
        mark.style.insetInlineStart = "";
        list.insertBefore(mark, others[position] ?? null);
      }
    };
    const clear = () => {
      // The click that ends a drag comes before any timer; the next one is meant.
      window.setTimeout(() => { justDragged = false; });
      window.removeEventListener("pointermove", drag);
      window.removeEventListener("pointerup", drop);
      window.removeEventListener("pointercancel", clear);
      window.removeEventListener("keydown", giveUp, true);
      ghost?.remove();
      mark.remove();
      goal?.removeAttribute("data-target");
      delete stop.dataset.dragged;
    };
    const drop = () => {
      const lane = goal, wasDragged = ghost !== null;
      clear();
      if (!wasDragged || !lane) return;
      if ("outLane" in lane.dataset) {
        if (!("out" in stop.dataset)) send({ do: "exclude", visit: stop.dataset.stop ?? "" }, stop.dataset.stop);
        return;
      }
      const stays = lane === stop.closest("[data-lane]") && position === stopsIn(lane).indexOf(stop);
      if (!stays) moveTo(stop, lane, position);
    };
    const giveUp = (/** @type {KeyboardEvent} */ key) => {
      if (key.key === "Escape") clear();
    };
    window.addEventListener("pointermove", drag);
    window.addEventListener("pointerup", drop);
    window.addEventListener("pointercancel", clear);
    window.addEventListener("keydown", giveUp, true);
  });

  window.addEventListener("resize", place);
  place();
  watchSearch(tell, () => {
    const isTyping = document.activeElement?.matches("input, select, textarea");
    const isBusy = "busy" in plan.dataset || board.querySelector("[data-dragged]");
    if (isTyping || isBusy || !panel.hidden) return null;
    const focused = /** @type {HTMLElement | null} */ (document.activeElement?.closest(".stop"));
    return send({ do: "better" }, focused?.dataset.stop);
  });
}
