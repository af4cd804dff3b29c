"""The protocol: every choice between the records and a figure, as one frozen object."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from examtally.contracts.bands import Bands
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.values import Learning, Monitoring, read_values


@dataclass(frozen=True)
class Modelling:
    """Sizes, folds, resamples, penalties, floors and thresholds; the `seconds` of timed maneuvers."""

    max_combined: int
    max_pattern: int
    folds: int
    inner_folds: int
    bootstrap: int
    resamples: int
    seed: int
    penalties: tuple[float, ...]
    min_events: int
    candidates: str
    max_size: int
    thresholds: tuple[float, ...]
    seconds: Mapping[str, int]


@dataclass(frozen=True)
class LatentClass:
    """Beta(a, b) beliefs about finding and prevalence, the weight of published accuracy, populations and chains."""

    finding_a: float
    finding_b: float
    prevalence_a: float
    prevalence_b: float
    published_weight: float
    populations: str
    chains: int
    draws: int
    seed: int


@dataclass(frozen=True)
class Eligibility:
    """Which exams are left out before an index exam is chosen."""

    exclude_comparison_knees: bool
    exclude_settings: tuple[str, ...]
    exclude_prior_surgery: bool
    exclude_reference_known: bool
    exclude_after_surgery: bool
    exclude_after_reference: bool
    last_periods: int


@dataclass(frozen=True)
class Maturity:
    """How long an exam stays open for its reference, in periods, where periods are ordinals."""

    immature_periods: int


@dataclass(frozen=True)
class Reference:
    """What settles each condition: modalities, most authoritative first, and written case definitions."""

    accepted: Mapping[str, tuple[str, ...]]
    clinical_case_definition: Mapping[str, str]
    blinded_readers_only: bool


@dataclass(frozen=True)
class Groups:
    """Cut points of the banded groups: acuity by last day, the others by the first value of each further band."""

    acuity: tuple[int, ...]
    age_band: tuple[int, ...]
    bmi_band: tuple[int, ...]
    thigh_band: tuple[int, ...]

    def bands(self, group_by: str) -> Bands:
        """Return the codes and first values of the bands of `group_by`, one of this object's fields."""
        cuts: tuple[int, ...] = getattr(self, group_by)
        return Bands.cut(group_by, cuts)


@dataclass(frozen=True)
class Intervals:
    """Confidence level and the interval methods."""

    level: float
    proportion: str
    lr: str
    zero_cells: str


@dataclass(frozen=True)
class PredictiveValues:
    """Prevalence by condition at which predictive values are given; a condition not in it uses the local share."""

    prevalence: Mapping[str, float]


@dataclass(frozen=True)
class PostTest:
    """Probabilities before the finding for which the probability after it is given."""

    pre_test: tuple[float, ...]


@dataclass(frozen=True)
class Display:
    """When a report shows an estimate."""

    min_participants: int


@dataclass(frozen=True)
class Calibration:
    """Resampling, clipping and the floor under a calibration curve."""

    bootstrap: int
    seed: int
    clip: float
    min_knees: int
    min_events: int


@dataclass(frozen=True)
class Verification:
    """What else may enter the models of who was verified, and the imputations beside them."""

    add_terms: tuple[str, ...]
    imputations: int
    seed: int


@dataclass(frozen=True)
class Examiners:
    """How examiners are pooled."""

    margin: float
    seed: int


@dataclass(frozen=True)
class Agreement:
    """Which two exams make a pair, and who teaches whom."""

    max_days: int
    learners: tuple[str, ...]
    supervisors: tuple[str, ...]
    least: float


@dataclass(frozen=True)
class Scenarios:
    """What enters the analyses beside the main one."""

    not_done_reasons: tuple[str, ...]


@dataclass(frozen=True)
class Comparisons:
    """Which maneuvers and which groups are compared, and by which of McNemar's tests.

    `family` and `groups` hold pairs by condition and by grouping; p values are adjusted within them.
    """

    family: Mapping[str, tuple[tuple[str, str], ...]]
    groups: Mapping[str, tuple[tuple[str, str], ...]]
    test: str


@dataclass(frozen=True)
class Protocol:
    """A resolved protocol: defaults filled in, every value checked against its legal set."""

    joint: str
    analysis_status: str
    eligibility: Eligibility
    windows: Mapping[str, tuple[int, int]]
    maturity: Maturity
    reference: Reference
    equivocal: str
    core: tuple[str, ...]
    groups: Groups
    intervals: Intervals
    predictive_values: PredictiveValues
    post_test: PostTest
    display: Display
    calibration: Calibration
    verification: Verification
    examiners: Examiners
    agreement: Agreement
    learning: Learning
    modelling: Modelling
    monitoring: Monitoring
    latent_class: LatentClass
    scenarios: Scenarios
    comparisons: Comparisons

    @classmethod
    def defaults(cls, contract: Contract) -> Protocol:
        """Return the protocol that changes nothing."""
        return load_protocol(None, contract)

    @property
    def hash(self) -> str:
        """sha256 of the resolved protocol as canonical JSON: equal analyses have equal hashes, however written."""
        return canonical_hash(self.to_dict())

    def to_dict(self) -> dict[str, Any]:
        """Return plain dicts, lists and scalars; `load_protocol` of it gives an equal protocol."""
        plain: dict[str, Any] = _plain(self)
        return plain

    def is_clinical(self, condition: str) -> bool:
        """Tell whether figures of `condition` rest on a clinical diagnosis and must be labelled so."""
        return "follow_up" in self.reference.accepted.get(condition, ())


def load_protocol(source: Path | str | Mapping[str, Any] | None = None, contract: Contract | None = None) -> Protocol:
    """Read a protocol (a file, or plain data) over the defaults of `contract`, that of the knee where none is given.

    Raises ProtocolError (one line: file, line, path inside it, legal set, mend) for an unknown key or an illegal value.
    """
    values = read_values(Path(source) if isinstance(source, str) else source, contract or load_contract())
    sections: dict[str, Any] = {}
    for path, value in values.items():
        name, _, inner = path.partition(".")
        if inner:
            sections.setdefault(name, {})[inner] = value
        else:
            sections[name] = value
    return Protocol(**{name: _section(name, value) for name, value in sections.items()})


def canonical_hash(content: Mapping[str, Any]) -> str:
    """Return the sha256 of plain data as canonical JSON."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


_SECTIONS: Mapping[str, type] = {
    "eligibility": Eligibility,
    "maturity": Maturity,
    "reference": Reference,
    "groups": Groups,
    "intervals": Intervals,
    "predictive_values": PredictiveValues,
    "post_test": PostTest,
    "display": Display,
    "calibration": Calibration,
    "verification": Verification,
    "examiners": Examiners,
    "agreement": Agreement,
    "learning": Learning,
    "latent_class": LatentClass,
    "monitoring": Monitoring,
    "modelling": Modelling,
    "scenarios": Scenarios,
    "comparisons": Comparisons,
}


def _section(name: str, value: Any) -> Any:
    if name in _SECTIONS:
        return _SECTIONS[name](**{key: _frozen(inner) for key, inner in value.items()})
    return _frozen(value)


def _frozen(value: Any) -> Any:
    return MappingProxyType(dict(value)) if isinstance(value, Mapping) else value


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, tuple) else value
