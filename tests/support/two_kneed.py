"""Cohorts of people with both knees in them, each cohort a site of one registry, as record frames.

The two findings of one person are alike: with probability `alike` both are right or wrong together, otherwise each for
itself, so that `alike` is the correlation of the two errors. Three examiners of fixed, differing skill work at each
site and take its people in turn; both knees of a person are examined by the same one.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import create_statements

SKILL = np.array([-0.04, 0.0, 0.04])  # added to sensitivity and specificity of the first, second and third examiner
CONDITION, MANEUVER = "acl_tear", "lachman"
_WINDOW_CLOSED = "P020"  # the period of one late exam, by which the window of all others has closed


@dataclass(frozen=True)
class TwoKneed:
    """What the cohorts have in common: `people` with two torn knees and as many with two sound ones, and the accuracy
    of the examiner of middling skill. With `is_mixed` everybody has one knee of each kind.
    """

    people: int
    sensitivity: float
    specificity: float
    alike: float = 0.5
    is_mixed: bool = False

    def truth(self) -> dict[str, float]:
        """The analysis-set estimand: the mean of the examiners' accuracy over the knees they examined."""
        lift = float(SKILL[np.arange(self.people) % SKILL.size].mean())
        sensitivity, specificity = self.sensitivity + lift, self.specificity + lift
        return {
            "sensitivity": sensitivity,
            "specificity": specificity,
            "lr_positive": sensitivity / (1 - specificity),
            "lr_negative": (1 - sensitivity) / specificity,
        }

    def records(self, sites: range, rng: np.random.Generator) -> dict[str, pl.DataFrame]:
        """Record tables of these sites: two exams and two MRI readings a person, and one late exam of another knee."""
        shape = (len(sites), 2, self.people, 2)  # site, half of its people, person, knee
        site, half, person, knee = np.indices(shape)
        sound = knee if self.is_mixed else half
        is_right = self._is_right(sound, person, rng).ravel()
        site, sound, person, knee = (place.ravel() for place in (site, sound, person, knee))
        number = np.arange(is_right.size)
        who = number // 2
        exams = pl.DataFrame(
            {
                "exam_id": _ids("X", number),
                "participant_id": _ids("P", who),
                "side": np.where(knee == 0, "left", "right"),
                "examiner_id": _ids("E", (site + sites.start) * SKILL.size + person % SKILL.size),
            }
        )
        late = {"exam_id": "XL1", "participant_id": "PL1", "side": "left", "examiner_id": "EL1"}
        references = exams.select("participant_id", "side").with_columns(
            episode=pl.lit(1),
            reference_id=_ids("R", number),
            modality=pl.lit("mri"),
            reference_day=pl.lit(7),
            condition=pl.lit(CONDITION),
            status=pl.Series(np.where(sound == 0, "present", "absent")),
        )
        positive = is_right == (sound == 0)
        return {
            "examiners": _examiners(sites),
            "participants": pl.DataFrame(
                {"participant_id": pl.concat([_ids("P", np.unique(who)), pl.Series(["PL1"])])}
            ),
            "exams": pl.concat(
                [
                    exams.with_columns(period=pl.lit("P001"), complaint=pl.lit("yes")),
                    pl.DataFrame([late]).with_columns(period=pl.lit(_WINDOW_CLOSED), complaint=pl.lit("no")),
                ]
            ).with_columns(episode=pl.lit(1), exam_day=pl.lit(0)),
            "findings": exams.select("exam_id").with_columns(
                maneuver=pl.lit(MANEUVER), result=pl.Series(np.where(positive, "positive", "negative"))
            ),
            "references": references,
        }

    def _is_right(self, sound: np.ndarray, person: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Whether each finding agrees with the reference."""
        accuracy = np.where(sound == 0, self.sensitivity, self.specificity) + SKILL[person % SKILL.size]
        draws = rng.random(sound.shape)
        draws[..., 1] = np.where(rng.random(sound.shape[:-1]) < self.alike, draws[..., 0], draws[..., 1])
        return np.asarray(draws < accuracy)


def fill(con: duckdb.DuckDBPyConnection, contract: Contract, records: dict[str, pl.DataFrame]) -> None:
    """Store the records in the catalog `reg` as they are, past the gate."""
    for statement in create_statements(contract):
        con.execute(statement)
    for table, frame in records.items():
        con.register("frame", frame)
        con.execute(f'insert into reg."{table}" by name select *, 1 as batch_no from frame')


def entered_twice(records: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The same people with every knee a second time, as a second episode."""
    once = records["exams"].filter(complaint="yes")
    again = {
        "exams": once.with_columns(pl.col("exam_id") + "-2", episode=pl.lit(2)),
        "findings": records["findings"].with_columns(pl.col("exam_id") + "-2"),
        "references": records["references"].with_columns(pl.col("reference_id") + "-2", episode=pl.lit(2)),
    }
    return records | {table: pl.concat([records[table], frame]) for table, frame in again.items()}


def of_site(records: dict[str, pl.DataFrame], site: int) -> dict[str, pl.DataFrame]:
    """The records of one site, and the late exam."""
    examiners = records["examiners"].filter(pl.col("site_id").is_in([site_code(site), "SL1"]))
    exams = records["exams"].join(examiners, on="examiner_id", how="semi")
    kept = {"examiners": examiners, "exams": exams}
    for table, key in (("participants", "participant_id"), ("references", "participant_id"), ("findings", "exam_id")):
        kept[table] = records[table].join(exams, on=key, how="semi")
    return kept


def site_code(site: int) -> str:
    """The id of a site."""
    return f"S{site:04}"


def _examiners(sites: range) -> pl.DataFrame:
    number = np.arange(sites.start * SKILL.size, sites.stop * SKILL.size)
    ids = pl.concat([_ids("E", number), pl.Series(["EL1"])])
    places = [*(site_code(one // SKILL.size) for one in number), "SL1"]
    return pl.DataFrame({"examiner_id": ids, "role": "resident", "site_id": places})


def _ids(letter: str, number: np.ndarray) -> pl.Series:
    return pl.Series(np.char.add(letter, np.char.zfill(number.astype(str), 7)))
