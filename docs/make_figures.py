"""Draw the figures of the documentation: `python docs/make_figures.py`."""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes

from roomsim.bands import EXACT, LABELS
from roomsim.physics.absorption import drape_on_wall, fold_depth
from roomsim.physics.air import Air
from roomsim.report.style import FAINT, INK, MARKERS, QUIET, SERIES, rules
from roomsim.venue.materials import built_in_materials

FIGURES = Path(__file__).parent / "figures"
CLOTH = "wool_serge_500"
FULLNESS = 2.0
STAND_OFFS = (0.05, 0.15, 0.5, 1.0)
TONES = (63.0, 125.0, 250.0)


def drape_bass(path: Path) -> None:
    """Why drape does little at bass: where the air moves before a wall, and what the cloth absorbs there."""
    with rules():
        figure, (motion, absorption) = plt.subplots(1, 2, figsize=(8.6, 3.5), layout="constrained")
        _motion_before_a_wall(motion)
        _absorption_by_stand_off(absorption)
        # No date in the file: the same program draws the same bytes.
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=150)
        plt.close(figure)


def _motion_before_a_wall(axes: Axes) -> None:
    """Squared particle velocity of a standing wave before a rigid wall, sin^2(k x), for some tones."""
    distance = np.linspace(0.0, 1.5, 301)
    near, far = 0.15, 0.15 + fold_depth(FULLNESS)
    axes.axvspan(near, far, color=FAINT, alpha=0.5, linewidth=0.0)
    axes.text(far + 0.02, 1.04, "cloth, 150 mm off, 100 % fullness", va="bottom", fontsize=7)
    for tone, colour, style in zip(TONES, SERIES, ("-", "--", "-.")):
        motion = np.sin(2.0 * np.pi * tone / Air().speed_of_sound * distance) ** 2
        axes.plot(distance, motion, style, color=colour, label=f"{tone:.0f} Hz")
    axes.set(xlim=(0.0, 1.5), ylim=(0.0, 1.3), xlabel="distance from the wall, m")
    axes.set_ylabel("motion of the air (energy), re its largest")
    axes.set_title("A wall stops the air; bass moves only far from it", loc="left")
    axes.set_yticks(np.linspace(0.0, 1.0, 6))
    axes.legend(loc="upper right", ncols=3)


def _absorption_by_stand_off(axes: Axes) -> None:
    fabric = built_in_materials().fabric[CLOTH]
    axes.axvspan(-0.5, 1.5, color=FAINT, alpha=0.35, linewidth=0.0)
    axes.text(0.5, 0.965, "bass", ha="center", va="top", color=INK)
    for gap, colour, marker in zip(STAND_OFFS, SERIES, MARKERS):
        absorbed = drape_on_wall(fabric.flow_resistance, fabric.surface_mass, gap, FULLNESS)
        axes.plot(absorbed, color=colour, marker=marker, markersize=4, label=f"{1000 * gap:.0f} mm")
    axes.set(xlim=(-0.5, len(EXACT) - 0.5), ylim=(0.0, 1.0))
    axes.set_xticks(range(len(EXACT)), LABELS)
    axes.set(xlabel="octave band, Hz", ylabel="absorption, random incidence")
    axes.grid(axis="y", color=FAINT, linewidth=0.4)
    axes.set_title("Wool serge 500 g/m², 100 % fullness, by stand-off", loc="left")
    axes.legend(loc="lower right", title="stand-off", labelcolor=INK, edgecolor=QUIET)


if __name__ == "__main__":
    FIGURES.mkdir(exist_ok=True)
    drape_bass(FIGURES / "drape_bass.svg")
