"""`sagline demo`: the main job on a virtual logger, in memory or behind a real serial port."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.bench import Bench, BenchPack
from capture.bench_tool import BenchTool
from capture.links.address import open_address, parse_address
from capture.links.virtual import DEFAULT_PACK, VirtualLink, virtual_rig
from capture.model.pack import PACKS
from capture.model.stops import StopCause
from capture.run_card import RunCard
from tui.commands.capturing import AtFirst, add_capture_arguments, check_arguments, run_session
from tui.output import WrongUsage

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from capture.model.rig import VirtualRig

#: Kinds of work that the virtual operator does, and the kind of run that each is.
_KIND_OF_WORK: Final = {
    "cuts": "timed cut",
    "stall": "stall",
    "free_run": "free run",
    "run_down": "run-down",
    "sag_test": "sag test",
}


DEMO_KIND: Final = _KIND_OF_WORK["cuts"]
DEMO_TOOL: Final = "polesaw"
#: What a bench file would say of the virtual packs.
DEMO_BENCH: Final = Bench(
    packs={
        pack.name: BenchPack(
            pack.series, pack.cutoff_v_per_group, pack.max_current_a, pack.max_temperature_degc
        )
        for pack in PACKS.values()
    },
    tools={DEMO_TOOL: BenchTool("saw", regulated=False)},
)


@dataclass(frozen=True, slots=True)
class Demo:
    """A virtual pole saw: its rig, and the address that makes it again."""

    address: str
    rig: VirtualRig

    def card(self, kind: str, note: str = "") -> RunCard:
        """Return the run card of a run of this kind; the pack's own figures are known."""
        return DEMO_BENCH.completed(RunCard(kind, self.rig.scenario.pack.name, DEMO_TOOL, note))


def demo_rig(
    pack: str = DEFAULT_PACK, work: str = "cuts", fault: str = StopCause.NONE, seed: int = 1
) -> Demo:
    """Return the virtual pole saw with this pack, at this work."""
    address = f"sim:polesaw?pack={pack}&seed={seed}&work={work}&fault={fault}"
    return Demo(address, virtual_rig(parse_address(address)))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    add_capture_arguments(parser)
    parser.add_argument(
        "--pack", choices=sorted(PACKS), default=DEFAULT_PACK, help="the pack on the pole saw"
    )
    parser.add_argument(
        "--work", choices=list(_KIND_OF_WORK), default="cuts", help="what the operator does with the saw"
    )
    parser.add_argument(
        "--fault",
        choices=[*StopCause],
        default=StopCause.NONE,
        metavar="CAUSE",
        help=f"make it stop: {', '.join(StopCause)}",
    )
    parser.add_argument("--seed", type=int, default=1, help="another seed cuts other limbs")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="times as fast as real time")
    parser.add_argument(
        "--serial", action="store_true", help="put the logger behind a pseudo-terminal, read as a serial port"
    )


def run(arguments: argparse.Namespace) -> int:
    """Show or record the virtual pole saw; return the exit status."""
    check_arguments(arguments)
    if not 0 < arguments.speed <= 10**6:
        raise WrongUsage(f"--speed {arguments.speed:g} is no speed; give a number above zero")
    if arguments.seed < 1:
        raise WrongUsage(f"--seed {arguments.seed} is no seed; give a whole number above zero")
    demo = demo_rig(arguments.pack, arguments.work, arguments.fault, arguments.seed)
    rig = demo.rig
    card = demo.card(arguments.kind or _KIND_OF_WORK[arguments.work], arguments.note)

    def truth(recording: Path) -> dict[str, Any]:
        return {"truth": _truth(rig, recording)}

    if not arguments.serial:
        link = VirtualLink(demo.address, rig, arguments.speed)
        return run_session(arguments, link, card, at_first=AtFirst.ARM, bench=DEMO_BENCH, extra=truth)
    from capture.links.pseudo_terminal import PseudoTerminalLogger

    with PseudoTerminalLogger(rig, arguments.speed) as logger:
        link_to_port = open_address(f"serial:{logger.path}")
        return run_session(arguments, link_to_port, card, at_first=AtFirst.ARM, bench=DEMO_BENCH, extra=truth)


def _truth(rig: VirtualRig, recording: Path) -> dict[str, Any]:
    """Return what the model says really went through the pack while the recording ran."""
    from capture.quantities import Figure
    from capture.storage.recording import open_recording

    stretches = open_recording(recording).document["stretches"]
    if not stretches:
        return {"charge": None, "energy": None}
    _, last_first, last_rows = stretches[-1]
    truth = rig.truth(stretches[0][1], last_first + last_rows)
    return {
        "charge": Figure(truth.charge_ah, 0.0, "Ah").as_json(),
        "energy": Figure(truth.energy_wh, 0.0, "Wh").as_json(),
    }
