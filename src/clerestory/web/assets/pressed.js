// A button that is replaced between being pressed and let go hears no click: what is drawn anew waits for its release.
// A list of choices keeps its release to itself, and a slider or a text hears no click: those do not count.

const FIELDS = "select, textarea, input:not([type=checkbox]):not([type=radio])";
let held = null;

const letGo = () => {
  const { ends } = held ?? {};
  held = null;
  ends?.();
};

addEventListener("pointerdown", (e) => {
  // One hold at a time: a second finger waits with the first.
  if (held || e.target.matches?.(FIELDS) || !e.target.closest?.("button, a, label, summary")) return;
  let ends;
  held = { over: new Promise((done) => { ends = done; }), ends };
}, true);
// The click comes after the release, in the same task.
for (const end of ["pointerup", "pointercancel", "blur"]) addEventListener(end, (e) => (e.type !== "blur" || e.target === window) && setTimeout(letGo), true);

// When nothing that hears clicks is held down: at once, for the most part.
export async function released() {
  while (held) await held.over;
}
