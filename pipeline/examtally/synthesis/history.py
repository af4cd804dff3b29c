"""What people tell: the answers to the history questions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.synthesis.exams import first_of_look
from examtally.synthesis.features import BLANK, Features
from examtally.synthesis.population import DrawContext

ANSWERS = ("yes", "no", "unknown")
YES, NO, UNKNOWN = range(3)


@dataclass(frozen=True)
class History:
    """`answer[i, q]`: an index into ANSWERS for question q in exam i, BLANK where it was not asked."""

    items: tuple[str, ...]
    answer: npt.NDArray[np.int8]


def tell(context: DrawContext, exams: Features) -> History:
    """Answer the questions, the same to every pair of hands on one day, and add `history.x` to the features."""
    scenario, random = context.scenario, context.random("history asked")
    told = ~exams.numbers["comparison"] & (random.random(exams.rows) < scenario.history.asked)
    answer = np.full((exams.rows, len(scenario.history.items)), BLANK, dtype=np.int8)
    for column, (item, rate) in enumerate(scenario.history.items.items()):
        own = context.random(f"history {item}")
        says = np.where(rate.draw(own, exams), YES, NO)[first_of_look(exams)]
        says = np.where(own.random(exams.rows) < scenario.history.unsure, UNKNOWN, says)
        answer[:, column] = np.where(told, says, BLANK)
        exams.update({f"history.{item}": answer[:, column] == YES})
    return History(tuple(scenario.history.items), answer)
