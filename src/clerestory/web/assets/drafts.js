// What is typed and not saved yet, kept in the browser until it is: a tab closed or a server gone costs nothing.

const at = (visit, name) => `clerestory-draft ${visit} ${name}`;

export function keepDraft(visit, name, draft) {
  try {
    localStorage.setItem(at(visit, name), JSON.stringify({ ...draft, when: Date.now() }));
  } catch { /* for this page only */ }
}

export function draftOf(visit, name) {
  try {
    return JSON.parse(localStorage.getItem(at(visit, name)) ?? "null");
  } catch { return null; }
}

export function dropDraft(visit, name) {
  try { localStorage.removeItem(at(visit, name)); } catch { /* nothing was kept */ }
}
