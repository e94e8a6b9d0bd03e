// Light or dark paper: as the system says, until the reader chooses. Runs before the page is drawn.
"use strict";
(() => {
  const root = document.documentElement;
  const kept = () => { try { return localStorage.getItem("paper"); } catch { return null; } };
  const system = matchMedia("(prefers-color-scheme: dark)");
  const dark = () => (root.dataset.paper ? root.dataset.paper === "dark" : system.matches);
  const told = kept();
  if (told === "dark" || told === "light") root.dataset.paper = told;
  document.addEventListener("DOMContentLoaded", () => {
    const button = document.getElementById("paper");
    const name = () => { button.textContent = dark() ? "Light paper" : "Dark paper"; };
    const changed = () => { name(); document.dispatchEvent(new Event("paper")); };
    name();
    button.hidden = false;
    button.addEventListener("click", () => {
      root.dataset.paper = dark() ? "light" : "dark";
      try { localStorage.setItem("paper", root.dataset.paper); } catch { /* kept for this page alone */ }
      changed();
    });
    system.addEventListener("change", changed);
  });
})();
