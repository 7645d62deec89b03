// Runs before the first paint, so that a chosen look does not flash.
try {
  const chosen = localStorage.getItem("benchd.look");
  if (chosen === "dark" || chosen === "light") document.documentElement.dataset.look = chosen;
} catch { /* storage is switched off: the system's look it is */ }
