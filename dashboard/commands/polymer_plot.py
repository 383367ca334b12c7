"""Heat capacity, conductivity and viscosity of a polymer against temperature: in characters or as a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dashboard import chart_library
from dashboard.commands.termplot import plot
from thermal.fields import InputError
from thermal.polymer import Polymer

Array = NDArray[np.float64]
POINTS = 241


@dataclass(frozen=True)
class Panel:
    """One quantity: its lines share the temperatures (°C, shape (n,)); `log` asks for a logarithmic axis."""

    label: str
    temperature_c: Array
    lines: tuple[tuple[str, Array], ...]
    log: bool


def panels(polymer: Polymer) -> tuple[Panel, ...]:
    """Panels from 20 °C to 20 K above the face limit; viscosity, where known, from where the sheet is no solid."""
    last_c = polymer.forming.face_max_c + 20.0
    t = np.linspace(20.0, last_c, POINTS)
    lines = [("", polymer.heat_capacity.at(t))]
    if polymer.semi_crystalline:
        # Corners of the triangles are put in, so that a narrow peak is drawn at its full height.
        corners = [c for m in polymer.melting for c in (m.onset_c, m.peak_c, m.end_c)]
        t = np.unique(np.concatenate((t, corners)))
        plain = polymer.heat_capacity.at(t)
        melting = sum((m.excess_j_kgk(t) for m in polymer.melting), np.zeros_like(t))
        lines = [("with melting", plain + melting), ("without melting", plain)]
    known = (
        Panel("heat capacity, J/(kg K)", t, tuple(lines), log=False),
        Panel("conductivity, W/(m K)", t, (("", polymer.conductivity.at(t)),), log=False),
    )
    if polymer.viscosity is None:
        return known
    hot = np.linspace(polymer.viscosity.solid_below_c, last_c, POINTS)
    return (*known, Panel("viscosity of the melt, Pa s", hot, (("", polymer.viscosity.melt_pa_s(hot)),), log=True))


def in_characters(polymer: Polymer, width: int, encoding: str | None = None) -> str:
    """The panels below each other as text; viscosity by its decimal logarithm."""
    drawn = []
    for panel in panels(polymer):
        label = f"log10 of {panel.label}" if panel.log else panel.label
        series = [
            (name, panel.temperature_c.tolist(), (np.log10(value) if panel.log else value).tolist())
            for name, value in panel.lines
        ]
        drawn.append(plot(series, width=width, height=8, x_label="°C", y_label=label, encoding=encoding))
    return "\n\n".join(drawn)


def to_file(polymer: Polymer, path: Path) -> None:
    """Write the panels to a file, its kind by its ending.

    Raises:
        InputError: an ending other than .html, .png or .svg.
        OSError: the file cannot be written.
    """
    writers: dict[str, Callable[[Polymer, Path], None]] = {".html": _html, ".png": _picture, ".svg": _picture}
    writer = writers.get(path.suffix.lower())
    if writer is None:
        raise InputError(f"--plot {path}: expected a name that ends in .html, .png or .svg")
    writer(polymer, path)


def _picture(polymer: Polymer, path: Path) -> None:
    from matplotlib.figure import Figure  # 0.7 s: only where a picture is asked for

    shown = panels(polymer)
    figure = Figure(figsize=(7.5, 3.0 * len(shown)), layout="constrained")
    figure.suptitle(polymer.name)
    for axes, panel in zip(figure.subplots(len(shown), 1, sharex=True), shown, strict=True):
        for (name, value), style in zip(panel.lines, ("-", "--"), strict=False):
            axes.plot(panel.temperature_c, value, style, color="black", label=name)
        axes.set_ylabel(panel.label)
        axes.set_yscale("log" if panel.log else "linear")
        axes.grid(alpha=0.3)
        if len(panel.lines) > 1:
            axes.legend()
    figure.axes[-1].set_xlabel("temperature, °C")
    figure.savefig(path, dpi=150)


def _html(polymer: Polymer, path: Path) -> None:
    from plotly.graph_objects import Scatter  # slow to import: only where a page is asked for
    from plotly.subplots import make_subplots

    shown = panels(polymer)
    figure = make_subplots(rows=len(shown), cols=1, shared_xaxes=True, vertical_spacing=0.05)
    for row, panel in enumerate(shown, start=1):
        for (name, value), dash in zip(panel.lines, ("solid", "dash"), strict=False):
            line = {"color": "black", "dash": dash}
            # .tolist(): a page keeps plain numbers, which every plotly version draws and people can read.
            trace = Scatter(
                x=panel.temperature_c.tolist(),
                y=value.tolist(),
                name=name or panel.label,
                line=line,
                showlegend=bool(name),
            )
            figure.add_trace(trace, row=row, col=1)
        figure.update_yaxes(title_text=panel.label, type="log" if panel.log else "linear", row=row, col=1)
    figure.update_xaxes(title_text="temperature, °C", row=len(shown), col=1)
    figure.update_layout(title_text=polymer.name, template="plotly_white", height=300 * len(shown))
    # The library is written into the file: workshops open it offline.
    page = figure.to_html(include_plotlyjs=False).replace("<body>", f"<body>\n{chart_library.script()}", 1)
    path.write_text(page, encoding="utf-8")
