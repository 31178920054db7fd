"""A bare page that mounts the live component, and what it is given first."""

from __future__ import annotations

from live_sample import sample

HARNESS = """<!doctype html><html lang="en"><title>live</title><meta name="viewport" content="width=device-width">
<body style="margin:8px;--st-text-color:#1c2226;--st-primary-color:#0f5a66;--st-secondary-background-color:#efede7">
<main><h1>Both views</h1></main><script type="module">
import live from "/live.js"; import part from "/part.js"; import note from "/note.js";
const css = await (await fetch("/live.css")).text();
window.sent = []; window.roots = [];
const root = () => { const host = document.createElement("div"); document.querySelector("main").append(host); return host.attachShadow({mode: "open"}); };
window.mount = async (view, names) => {
  for (const name of names) part({data: {id: {scene: view.scene, rig: view.rig, path: view.path}[name] ?? name, url: name}, parentElement: root()});
  const at = root(); at.innerHTML = "<style>" + css + "</style>";
  window.roots.push(at);
  const i = window.roots.length - 1;
  const setStateValue = (name, value) => window.sent.push([name, value]), setTriggerValue = setStateValue;
  window.show = (view, which) => { window.ends[which] = live({data: [view], parentElement: window.roots[which], setStateValue, setTriggerValue}); };
  window.ends = window.ends || [];
  window.show(view, i);
};
window.tell = data => note({data: [data]});
window.ready = true;
</script></html>"""
VIEW = sample()
SAID = {"key": "live", **VIEW.said()}
PARTS = {"scene": VIEW.scene, "rig": VIEW.rig, "path": VIEW.path}
