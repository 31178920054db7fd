// What is said of a guide, for the views of its key on this page: `first` at once, `whole` in its place when it comes.
const hub = (globalThis[Symbol.for("framematch.live")] ??= { parts: new Map(), waiting: new Set() });
const notes = (hub.notes ??= new Map());

export default function ({ data }) {
  if (!data) return;
  const [said] = data;
  notes.set(`${said.key} ${said.kind}`, said);
  for (const tell of hub.waiting) tell();
}
