"""The patient's page in plain words; it informs, and replaces no talk with the dentist."""

from __future__ import annotations

from typing import Any

from canalwright import __version__
from canalwright.planning.clinical.visit import Visit
from canalwright.reports.chairside_data import ChairsideInputs

__all__ = ["patient_data"]

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def patient_data(inputs: ChairsideInputs) -> dict[str, Any]:
    """Return all texts of the patient's page, ready for JSON."""
    visit = inputs.visit
    return {
        "title": _title(visit),
        "date": inputs.date.isoformat(),
        "version": __version__,
        "invented": visit.plan.invented,
        "intro": "This page tells you in plain words what will be done. It does not replace the "
        "talk with your dentist. Please ask everything you want to know.",
        "blocks": [
            {"head": "What is a root canal treatment?", "lines": _what(visit)},
            {"head": "What happens at the visit", "lines": _visit()},
            {"head": "What can go wrong", "lines": _risks()},
            {"head": "After the visit", "lines": _after()},
        ],
        "picture": "A drawing of a tooth before and after the treatment. It is not your own tooth.",
        "questions": "My questions:",
    }


def _title(visit: Visit) -> str:
    tooth = visit.plan.tooth
    return "Your root canal treatment" + ("" if tooth is None else f": {tooth.name}")


def _count(visit: Visit) -> str:
    count = len(visit.canals)
    word = _NUMBERS[count] if count < len(_NUMBERS) else str(count)
    return f"{word} root canal" + ("" if count == 1 else "s")


def _what(visit: Visit) -> list[str]:
    return [
        "Inside every tooth is a space with nerve and blood vessels. When it is inflamed or "
        "infected, it can hurt and harm the bone around the root.",
        f"In your tooth, {_count(visit)} will be cleaned, shaped and sealed, so that the tooth can "
        "stay.",
    ]


def _visit() -> list[str]:
    return [
        "You get a local anesthetic, and the tooth is covered with a rubber sheet. It keeps the "
        "tooth clean and protects you.",
        "Very thin instruments clean and widen the canals. A disinfecting liquid rinses them.",
        "The length of the canals is measured more than once, often with an X-ray image.",
        "The clean canals are filled and the tooth is closed.",
        "Raise a hand at any time if something hurts or you need a pause.",
    ]


def _risks() -> list[str]:
    return [
        "The tooth may be tender for some days. An infection can stay or come back.",
        "Rarely an instrument breaks, a canal cannot be found or passed, the wall is damaged, or "
        "liquid gets beyond the root and causes pain and swelling.",
        "Other ways are to wait, to see a specialist, or to take the tooth out. Your dentist "
        "explains what they would mean for you.",
    ]


def _after() -> list[str]:
    return [
        "Do not bite on the tooth until it has its final filling or crown.",
        "Call the practice at once if you get strong pain, swelling, fever, or trouble swallowing. "
        "If you cannot breathe well, call the emergency number.",
    ]
