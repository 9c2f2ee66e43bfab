"""A plot as a PNG picture for a document, drawn by a browser of this machine (Chrome or Chromium, through kaleido)."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from gateway.model.errors import InputError
from gateway.report.plots import Plot

_INK, _RULE, _LINE, _BAND = "#1d2329", "#c9d0d6", "#1c5d99", "rgba(28, 93, 153, 0.25)"  # those of the page
_SIZE = {"width": 1000, "height": 460, "scale": 2}


def picture(plot: Plot) -> bytes:
    """Draw a plot.

    Raises:
        InputError: kaleido is not installed, or it finds no browser.
    """
    try:
        import kaleido
    except ImportError:
        raise InputError("images need kaleido: pip install 'gattest[png]'") from None
    axis = {"color": _INK, "gridcolor": _RULE, "linecolor": _RULE}
    layout: dict[str, Any] = dict(plot.figure["layout"])
    layout |= {"xaxis": layout["xaxis"] | axis, "yaxis": layout["yaxis"] | axis, "plot_bgcolor": "#fff"}
    layout |= {"title": {"text": plot.title, "subtitle": {"text": plot.said}}, "font": {"color": _INK}}
    layout["margin"] = layout["margin"] | {"t": 70}
    data = [
        trace | {"line": trace.get("line", {}) | {"color": _LINE}, "fillcolor": _BAND}
        if trace.get("type") != "bar"
        else trace | {"marker": {"color": _LINE}}
        for trace in plot.figure["data"]
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plot.png"
        try:
            kaleido.write_fig_sync({"data": data, "layout": layout}, path=path, opts={"format": "png", **_SIZE})
        except Exception as error:  # whatever the driver and the browser raise
            raise InputError(
                f"no image was written: {error or type(error).__name__}; Chrome or Chromium must be installed"
            ) from None
        return path.read_bytes()
