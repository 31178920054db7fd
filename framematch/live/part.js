// Fetches one part (see parts.py for its layout) and keeps it for what is mounted on this page.
const hub = (globalThis[Symbol.for("framematch.live")] ??= { parts: new Map(), waiting: new Set() });
const held = (hub.held ??= new Map()); // which mount holds which part
const TRIES_MS = [300, 1000, 3000, 9000];

async function fetched(url) {
  for (const wait of [...TRIES_MS, 0]) {
    const answer = await fetch(url).catch(() => null);
    if (answer?.ok) return new Uint8Array(await answer.arrayBuffer());
    await new Promise((done) => setTimeout(done, wait));
  }
  throw new Error("A part of the views could not be fetched; load the page again.");
}

export default function ({ data, parentElement }) {
  if (!data) return;
  const { id, url } = data;
  const drop = () => {
    const old = held.get(parentElement);
    held.delete(parentElement);
    if (old && ![...held.values()].includes(old)) hub.parts.delete(old);
  };
  if (held.get(parentElement) === id) return drop;
  // The old one goes when the new one is here: what is drawn from it stays until then.
  const old = held.get(parentElement);
  held.set(parentElement, id);
  const come = () => {
    if (old && old !== id && ![...held.values()].includes(old)) hub.parts.delete(old);
    for (const tell of hub.waiting) tell();
  };
  if (hub.parts.has(id)) come();
  else fetched(new URL(url, document.baseURI)).then((bytes) => {
    if (![...held.values()].includes(id)) return;
    hub.parts.set(id, bytes);
    come();
  });
  return drop;
}
