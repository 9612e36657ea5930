// @ts-check
/** Look again every few seconds while something is being worked out, unless somebody is typing. */

const AGAIN_MS = 3000;

const again = () => {
  const busy = document.activeElement?.matches("input, select, textarea");
  if (document.hidden || busy) setTimeout(again, AGAIN_MS);
  else location.reload();
};

if (document.querySelector("[data-come-so-far]")) setTimeout(again, AGAIN_MS);
