"""The form of the run card: what a person knows of a run and no sensor can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.run_card import KINDS, RunCard
from tui.screens.typed_form import FormField, TypedForm
from tui.typed_values import CARD_FIELDS, OF_THE_PACK, FieldFault, shown_field, typed_card

if TYPE_CHECKING:
    from collections.abc import Mapping

_OFFERED: Final = {"kind": KINDS}


class CardForm(TypedForm[RunCard]):
    """Asks for the fields of a run card; dismisses with `card` and what was typed into it.

    The outcome and what the form does not ask for stay as they were.
    """

    def __init__(self, card: RunCard, title: str = "Run card") -> None:
        super().__init__(
            title,
            [
                FormField(
                    field.name,
                    field.label,
                    field.unit,
                    shown_field(getattr(card, field.name)),
                    field.example,
                    _OFFERED.get(field.name, ()),
                )
                for field in CARD_FIELDS
            ],
        )
        self._card = card
        self._limits_were_named = False

    def result_of(self, texts: Mapping[str, str]) -> RunCard:
        """Return the card; another pack under the limits of the last is asked about once."""
        card = typed_card(texts, self._card)
        if not self._limits_were_named and _keeps_limits_of_another(self._card, card):
            self._limits_were_named = True
            raise FieldFault("series", "these belong to the pack. Still right? Enter keeps them")
        return card


def _keeps_limits_of_another(before: RunCard, card: RunCard) -> bool:
    """Return whether the pack is another one and nothing of what belongs to it was changed."""
    limits = [(getattr(before, name), getattr(card, name)) for name in OF_THE_PACK]
    changed = any(old != new for old, new in limits)
    given = any(new is not None for _, new in limits)
    return before.pack is not None and card.pack != before.pack and given and not changed
