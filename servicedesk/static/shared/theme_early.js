// @ts-check
// Runs before the first paint, so it is a classic script in the head and as short as can be:
// marks that scripts run, and puts the chosen appearance on <html>.
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  try {
    const chosen = localStorage.getItem("appearance");
    if (chosen === "light" || chosen === "dark") root.dataset.theme = chosen;
  } catch {
    // Storage refused (private window, policy): the device's own appearance stays.
  }
})();
