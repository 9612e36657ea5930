"""The monthly look by the owner's own people: five questions, and what an answer means. Pure.

The questions follow the monthly items of NFPA 10 (from memory, edition not verified) in our own words.
Local code and the maker's manual come first.

>>> judge_look({"in_place": "yes", "reachable": "yes", "seal": "yes", "gauge": "low", "damage": "no"})
Judged(is_passed=False, found=(Wrong(code='pressure_low', about_place=False),))
>>> judge_look({"in_place": "yes", "reachable": "yes", "seal": "yes", "gauge": "none", "damage": "no"})
Judged(is_passed=True, found=())
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

SOURCE: Final = "NFPA 10, monthly items, from memory, edition not verified"


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer to a question; ``defect`` names the defect that it states, empty when all is well."""

    code: str
    text: str
    defect: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question of the look. ``about_place``: what is wrong is wrong with the place, not the unit."""

    code: str
    text: str
    replies: tuple[Reply, ...]
    about_place: bool = False


QUESTIONS: Final = (
    Question(
        "in_place",
        "Does it hang in its place?",
        (Reply("yes", "Yes"), Reply("no", "No, it is not there", "missing")),
        about_place=True,
    ),
    Question(
        "reachable",
        "Can you see it and get to it?",
        (Reply("yes", "Yes"), Reply("no", "No, blocked or hidden", "blocked")),
        about_place=True,
    ),
    Question(
        "seal",
        "Are the pin and its seal whole?",
        (Reply("yes", "Yes"), Reply("no", "No, broken or gone", "seal_broken")),
    ),
    Question(
        "gauge",
        "Where is the needle of the gauge?",
        (
            Reply("ok", "In its zone"),
            Reply("low", "Below", "pressure_low"),
            Reply("high", "Above", "pressure_high"),
            Reply("none", "It has no gauge"),
        ),
    ),
    Question(
        "damage",
        "Is it damaged, rusty, leaking or its nozzle stopped?",
        (Reply("no", "No"), Reply("yes", "Yes", "other_unit")),
    ),
)


class IncompleteLook(ValueError):
    """A question was not answered, or with a word that it does not know; ``question`` says which."""

    def __init__(self, question: Question) -> None:
        super().__init__(f"Answer the question: {question.text}")
        self.question = question


@dataclass(frozen=True, slots=True)
class Wrong:
    """A defect that an answer states, by its code in the list of defects."""

    code: str
    about_place: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """What a whole look comes to."""

    is_passed: bool
    found: tuple[Wrong, ...]


def judge_look(answers: Mapping[str, str]) -> Judged:
    """What ``answers`` (question code to reply code) state. Raises ``IncompleteLook``.

    A unit that is not in its place cannot be looked at: the other answers are not asked for then.
    """
    if answers.get("in_place") == "no":
        return Judged(False, (Wrong("missing", True),))
    found = []
    for question in QUESTIONS:
        reply = reply_to(question, answers)
        if reply.defect:
            found.append(Wrong(reply.defect, question.about_place))
    return Judged(not found, tuple(found))


def reply_to(question: Question, answers: Mapping[str, str]) -> Reply:
    """The reply that was given to ``question``. Raises ``IncompleteLook``."""
    given = answers.get(question.code, "")
    reply = next((one for one in question.replies if one.code == given), None)
    if reply is None:
        raise IncompleteLook(question)
    return reply


def say_look(answers: Mapping[str, str]) -> str:
    """The answers in one line, as they are kept with the record."""
    if answers.get("in_place") == "no":
        return "Does it hang in its place? No, it is not there."
    return " ".join(f"{q.text} {reply_to(q, answers).text}." for q in QUESTIONS)
