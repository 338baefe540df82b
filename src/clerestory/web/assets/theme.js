// Before anything is drawn: dark or light where a person chose one; else as the system has it.
(() => {
  try {
    const chosen = localStorage.getItem("clerestory-look");
    if (chosen === "dark" || chosen === "light") document.documentElement.dataset.theme = chosen;
  } catch { /* as the system has it */ }
})();
