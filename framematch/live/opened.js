// Stands before each module that reads parts; see parts.py for their layout.

/** A part's head, with `array(name)` for what it carries. Bytes arrive at any offset: they are copied to an even one. */
export function opened(bytes) {
  const raw = new Uint8Array(bytes).slice();
  const length = new DataView(raw.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + length)));
  const array = (name) => {
    const at = head.arrays[name];
    if (!at) return null;
    return at.type === "f4" ? new Float32Array(raw.buffer, 4 + length + at.at, at.count) : raw.subarray(4 + length + at.at, 4 + length + at.at + at.count);
  };
  return { ...head, array };
}

