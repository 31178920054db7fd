"""How Streamlit is to run the page; ``.streamlit/config.toml`` says the same for ``streamlit run app.py``."""

from __future__ import annotations

from framematch.page.look import DARK, LIGHT
from framematch.text.typeface import WEB_FAMILY

UPLOAD_MB = 32  # the largest field's

SETTINGS: dict[str, str | int | bool] = {
    "server.address": "127.0.0.1",
    "server.headless": True,
    "server.maxUploadSize": UPLOAD_MB,
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": False,
    "runner.postScriptGC": False,  # framematch.page.tidy does it while a hand rests
    "logger.enableRich": False,  # the log is for a file too, and ``framematch.page.net`` shortens what is no fault
    "client.toolbarMode": "viewer",
    "client.showErrorDetails": "none",
    "theme.font": f"{WEB_FAMILY}, sans-serif",
    **{
        f"theme.{name}.{key}": value
        for name, colours in (("light", LIGHT), ("dark", DARK))
        for key, value in (
            ("primaryColor", colours.accent),
            ("backgroundColor", colours.ground),
            ("secondaryBackgroundColor", colours.panel),
            ("textColor", colours.ink),
        )
    },
}


def arguments(changes: dict[str, str | int | bool]) -> list[str]:
    """The settings, some of them changed, as arguments of ``streamlit run``."""
    return [f"--{key}={str(value).lower() if isinstance(value, bool) else value}" for key, value in {**SETTINGS, **changes}.items()]
