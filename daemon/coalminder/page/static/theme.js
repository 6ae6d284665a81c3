// Before anything is drawn: the light or dark that was chosen on this phone.
"use strict";
(() => {
  let chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch { /* storage is forbidden: as the phone */ }
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
})();
