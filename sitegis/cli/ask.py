"""The questions of ``sitegis start --ask``, one line each; a wrong answer is asked for again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import click

from ..read.interview import (
    BUILDING,
    END,
    LOT,
    POINT,
    ROOM,
    SIDES,
    SITE,
    STREET,
    Answers,
    Question,
    understood,
)
from ..rules.rule_set import rule_set_names
from ..units import LengthUnit
from .printing import print_line

OPPOSITE = {"lot.sides.rear": "lot.sides.front", "lot.sides.left": "lot.sides.right"}
IDS = {"cleanout": "CO", "locate": "L", "stack": "ST", "floor-drain": "FD"}
FIRST_KINDS = ("cleanout", "locate")
"""The first point is most often the cleanout, all others locate points."""


def ask_site(unit: LengthUnit, depth_unit: LengthUnit) -> Answers:
    """Ask for what a first answer needs; what was said before the person left is kept.

    Parameters
    ----------
    unit
        Unit of a bare length.
    depth_unit
        Unit of a bare depth.

    Returns
    -------
    Answers
        What was answered.
    """
    answers = Answers()

    def ask(question: Question, default: str = "", **names: str) -> str:
        return _ask(question, default, (unit, depth_unit), names)

    print_line(
        f"Lengths as on the tape; a bare number is in {unit}, a depth in {depth_unit}. "
        "Enter takes what stands in [brackets]. Ctrl-C keeps what you have answered.",
        err=True,
    )
    try:
        _ask_site(answers, ask)
        _ask_streets(answers, ask)
        _ask_points(answers, ask)
    except click.Abort:
        print_line("\nLeft there: what was answered is kept.", err=True)
    return answers


def _ask_site(answers: Answers, ask: Callable[..., str]) -> None:
    """Ask for job, lot, building and room."""
    for question in (*SITE, *LOT, *BUILDING, *ROOM):
        # most lots are near rectangles: the opposite side's length is offered
        default = answers.values.get(OPPOSITE.get(question.key, ""), "")
        ruled = question.key == "site.rule_set"
        asked = replace(question, choices=rule_set_names()) if ruled else question
        answers.values[question.key] = ask(asked, default)


def _ask_streets(answers: Answers, ask: Callable[..., str]) -> None:
    """Ask what lies on each side of the lot: a street or alley, its main, how deep."""
    for side in SIDES:
        street: dict[str, str] = {"side": side}
        for question in STREET:
            # no offset: there is no main, and no depth to ask for
            if question.key == "depth" and not street["offset"]:
                continue
            default = ("alley" if side == "rear" else "street") if question.key == "kind" else ""
            street[question.key] = ask(question, default, side=side.capitalize())
            # no name: nothing lies on this side
            if not street.get("name"):
                break
        if street["name"]:
            answers.streets.append(street)


def _ask_points(answers: Answers, ask: Callable[..., str]) -> None:
    """Ask for the points of the room, one after the other, until one is said to be the end."""
    what, *others = POINT
    while True:
        index = len(answers.points)
        kind = ask(what, FIRST_KINDS[min(index, 1)], point=f"Point {index + 1}")
        if kind == END:
            return
        number = sum(point["kind"] == kind for point in answers.points) + 1
        point = {"id": f"{IDS.get(kind, kind.upper())}{number}", "kind": kind}
        answers.points.append(point)
        for question in others:
            # footage begins at the first point
            default = "0" if question.key == "footage" and not index else ""
            point[question.key] = ask(question, default, point=point["id"])


def _ask(
    question: Question, default: str, units: tuple[LengthUnit, LengthUnit], names: dict[str, str]
) -> str:
    """Ask one question until it is answered in a way that can be read."""
    words = question.words.format(**names)
    if question.choices:
        words = f"{words} ({', '.join(question.choices)})"
    while True:
        typed = click.prompt(words, default=default, show_default=bool(default), err=True)
        try:
            return understood(question, str(typed), *units)
        except ValueError as error:
            print_line(f"  {error}", err=True)
