"""`sagline resistance REC`: what a recorded run tells of its pack's resistance, in all its definitions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from capture.bench import FILE_NAME, find_bench
from tui.commands.reading import add_recording_argument
from tui.formatting import milli_words, plus_minus
from tui.output import ProgressLine, print_json, print_result

if TYPE_CHECKING:
    import argparse

    from capture.resistance import Resistance

_MEANS: Final = (
    "A pulse resistance carries its time: so long after a step of the current, the fall of the open-circuit "
    "voltage left out. Compare only like with like: same time, charge and temperature. "
    "± is the expanded uncertainty (k = 2)."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _MEANS
    add_recording_argument(parser)
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help=f"what is known of the pack (./{FILE_NAME})"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the resistances; return the exit status."""
    from capture.resistance import resistance
    from capture.storage.recording import open_recording

    recording = open_recording(arguments.recording)
    progress = ProgressLine("reading")
    bench = find_bench(arguments.bench)
    found = resistance(recording, lambda rows: progress.update(rows, 2 * recording.rows), bench)
    if arguments.json:
        print_json(found.as_json())
    else:
        _print(found)
    return 0


def _print(found: Resistance) -> None:
    from capture.studies.pulse_resistance import PULSE_TIMES_S
    from tui.study_words import over_charge_words

    print_result(f"{found.run.summary.recording.path.name}   resistance of the pack in mΩ")
    pulses = found.pulses
    if pulses is None:
        print_result("  cannot tell: it takes current, voltage, and a load that comes and goes")
        return
    print_result(f"  {'ohmic':24} {milli_words(pulses.ohmic)}")
    for after_s, figure in zip(PULSE_TIMES_S, pulses.pulse, strict=True):
        print_result(f"  {f'{after_s:g} s after a step':24} {milli_words(figure)}")
    if pulses.mean_over_ah is not None:
        print_result(f"  ({over_charge_words(*pulses.mean_over_ah)})")
    print_result(f"  {'two-step (0.2 It, 1 It)':24} {milli_words(found.two_step)}")
    _print_circuit(found)
    _print_groups(found)
    per_ah = found.dependence.per_ah
    if per_ah is not None:
        print_result(f"  {'1 s, for each Ah drawn':24} {milli_words(per_ah)}")
    print_result()
    print_result("      at s    from A      to A    " + "".join(f"{f'{at:g} s':>18}" for at in PULSE_TIMES_S))
    for stepped in pulses.steps:
        step = stepped.step
        told = "".join(f"{milli_words(figure):>18}" for figure in stepped.r)
        print_result(f"{step.t_s:10.3f}{step.from_a:10.1f}{step.to_a:10.1f}    {told}")
    print_result()
    print_result(_MEANS)
    for warning in (*pulses.notes, *found.run.summary.warnings):
        print_result(f"! {warning}")


def _print_circuit(found: Resistance) -> None:
    circuit = found.circuit
    if circuit is None:
        print_result(f"  {'circuit':24} cannot tell")
        return
    print_result(
        f"  {'circuit: R0':24} {milli_words(circuit.r0)}   (rms left over {1e3 * circuit.rmse_v:.1f} mV)"
    )
    for number, branch in enumerate(circuit.branches, start=1):
        tau = plus_minus(branch.tau.value, branch.tau.u, 2)
        print_result(f"  {f'   R{number} and time constant':24} {milli_words(branch.r)}   {tau} s")
    for words in circuit.undetermined:
        print_result(f"     {words}")


def _print_groups(found: Resistance) -> None:
    if found.groups is None:
        return
    for group in found.groups.groups:
        told = "   ".join(milli_words(figure) for figure in group.pulse)
        print_result(f"  {f'group {group.group}':24} {told}")
    closure = found.groups.closure
    if closure is not None:
        print_result(
            f"  {f'joints, after {closure.after_s:g} s':24} {milli_words(closure.remainder)}   {closure.says}"
        )
