"""What the help of the result screen explains: outcomes, figures and signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tui.formatting import COVERAGE_MEANS
from tui.widgets.cut_rows import GAP_MEANS, UNFINISHED_MEANS
from tui.widgets.figure_cell import FOCUSED

if TYPE_CHECKING:
    from tui.screens.help import Section

OUTCOMES: Final = (
    ("completed", "the work was done as it was meant to be"),
    ("tripped", "tool or pack stopped by itself"),
    ("operator stop", "you stopped it before its end"),
    ("rig failure", "something on the rig broke, not the pack"),
    ("void", "the run does not count: it is kept, and its reason with it"),
)
FIGURES: Final = (
    ("energy, net", "discharged minus returned, at the point where the voltage is sensed; charge alike"),
    ("peak current", "the highest single sample; power alike"),
    ("rest voltage", "the voltage before the first load"),
    ("minimum voltage", "the lowest single sample"),
    ("drop from rest", "rest voltage minus minimum voltage; the discharge itself is part of it"),
    ("peak sag", "of a cut: the rest before it minus its lowest voltage (mean over 20 ms)"),
    ("steady sag", "of a cut: the rest before it minus the mean over its last half"),
    ("work s", "of a cut: from contact to severance, as current and speed tell them"),
    ("speed in the cuts", "mean, without the run-up of each cut"),
    ("resistance", "of a sag test: at once (ohmic), and so long after a step of the current"),
    ("lost", "samples that the logger took and that never arrived"),
    ("recovered", "samples that came when they were asked for again"),
    ("—", "cannot be told from what was measured"),
)
SIGNS: Final = (
    (COVERAGE_MEANS[0], COVERAGE_MEANS[2:]),
    ("!", "something to look at before you believe the figures"),
    (FOCUSED, "the figure that y copies"),
    (GAP_MEANS[0], GAP_MEANS[2:]),
    (UNFINISHED_MEANS[0], UNFINISHED_MEANS[2:]),
)
SECTIONS: Final[tuple[Section, ...]] = (
    ("How the run went", OUTCOMES),
    ("Figures", FIGURES),
    ("Signs", SIGNS),
)
