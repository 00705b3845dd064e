"""Three themes. A colour belongs to a quantity in each of them, and never carries meaning alone.

The dark one is built on the palette of Okabe and Ito (Color Universal Design, 2008), which people with any of
the common colour deficiencies tell apart. The one for sunlight keeps the hues and darkens them until they
stand out from white by 7 to 1 or more. The third has no colour at all.
"""

from __future__ import annotations

from typing import Final

from textual.theme import Theme

from tui.widgets.envelope import DotStyle

DARK: Final = "sagline-dark"
SUN: Final = "sagline-sun"
MONO: Final = "sagline-mono"


def _variables(
    *, current: str, voltage: str, power: str, energy: str, speed: str, force: str, shade: str, key: str
) -> dict[str, str]:
    return {
        "quantity-current": current,
        "quantity-voltage": voltage,
        "quantity-power": power,
        "quantity-energy": energy,
        "quantity-speed": speed,
        "quantity-force": force,
        "shade": shade,
        "footer-key-foreground": key,
        "block-cursor-text-style": "reverse",
    }


THEMES: Final = (
    Theme(
        name=DARK,
        primary="#56B4E9",
        secondary="#CC79A7",
        warning="#F0E442",
        error="#FF8A5C",
        success="#2FC79B",
        accent="#E69F00",
        foreground="#F4F4F4",
        background="#0E1216",
        surface="#0E1216",
        panel="#262E36",
        variables=_variables(
            current="#F0A500",
            voltage="#56B4E9",
            power="#DB8CB8",
            energy="#2FC79B",
            speed="#F0E442",
            force="#FF8A5C",
            shade="#1C252E",
            key="#F0E442",
        ),
    ),
    Theme(
        name=SUN,
        primary="#004A80",
        secondary="#7A1A57",
        warning="#6B4200",
        error="#9C0000",
        success="#005039",
        accent="#8F3400",
        foreground="#000000",
        background="#FFFFFF",
        surface="#FFFFFF",
        panel="#E2E2E2",
        dark=False,
        variables=_variables(
            current="#8F3400",
            voltage="#004A80",
            power="#7A1A57",
            energy="#005039",
            speed="#5C4A00",
            force="#9C0000",
            shade="#E6E6E6",
            key="#000000",
        ),
    ),
    Theme(
        name=MONO,
        primary="#FFFFFF",
        secondary="#FFFFFF",
        warning="#FFFFFF",
        error="#FFFFFF",
        success="#FFFFFF",
        accent="#FFFFFF",
        foreground="#FFFFFF",
        background="#000000",
        surface="#000000",
        panel="#303030",
        variables=_variables(
            current="#FFFFFF",
            voltage="#FFFFFF",
            power="#FFFFFF",
            energy="#FFFFFF",
            speed="#FFFFFF",
            force="#FFFFFF",
            shade="#303030",
            key="#FFFFFF",
        ),
    ),
)


def theme_after(name: str) -> str:
    """Return the theme that follows in the cycle."""
    names = [theme.name for theme in THEMES]
    return names[(names.index(name) + 1) % len(names)] if name in names else DARK


def dot_style(name: str) -> DotStyle:
    """Return how a theme draws charts: fine dots wash out in the sun, solid blocks do not."""
    return DotStyle.BLOCK if name == SUN else DotStyle.BRAILLE
