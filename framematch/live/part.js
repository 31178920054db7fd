// Keeps one part (scene, rig or path) for the views on this page; see parts.py for its layout.
const hub = (globalThis[Symbol.for("framematch.live")] ??= { parts: new Map(), waiting: new Set() });
const held = (hub.held ??= new Map()); // which mount holds which part

export default function ({ data, parentElement }) {
  if (!data) return;
  const bytes = new Uint8Array(data.buffer ?? data, data.byteOffset ?? 0, data.byteLength);
  const length = new DataView(bytes.buffer, bytes.byteOffset).getUint32(0, true);
  const id = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length))).id;
  const drop = () => {
    const old = held.get(parentElement);
    held.delete(parentElement);
    if (old && old !== id && ![...held.values()].includes(old)) hub.parts.delete(old);
  };
  if (held.get(parentElement) !== id) drop();
  held.set(parentElement, id);
  if (!hub.parts.has(id)) {
    hub.parts.set(id, bytes);
    for (const tell of hub.waiting) tell();
  }
  return () => {
    held.delete(parentElement);
    if (![...held.values()].includes(id)) hub.parts.delete(id);
  };
}
