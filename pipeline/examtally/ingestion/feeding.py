"""The feed of a group: each source's new files through the mapping that is set for it, a batch a source.

A file whose bytes the registry has is passed over, so that a folder may keep the files of earlier months. A batch with
a line in conflict is not stored: somebody has to say which is right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.settings import FeedSource, Settings
from examtally.errors import FileFault
from examtally.ingestion.batch import ingest
from examtally.ingestion.reading.lines import fingerprint
from examtally.ingestion.storing.report import BatchReport
from examtally.registry.accounts import known_files
from examtally.registry.lock_wait import LockWait

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Fed:
    """What became of one source: its batch, None where no file of it is new; `known` files were passed over."""

    source: str
    files: int
    known: int
    batch: BatchReport | None


def feed(
    settings: Settings,
    registry: Path,
    *,
    only: Sequence[str] = (),
    amend: bool | str | Sequence[str] = False,
    blank_is_a_correction: bool = False,
    second_engine: bool = False,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> tuple[Fed, ...]:
    """Store the new files of every source, or of those `only` names; return what became of each, in order.

    Raises FileFault where a source is not set or its batch holds anything doubtful: a line in conflict, or more held
    back than may be. Nothing of that source is stored; the sources before it stand as told.
    """
    chosen = _chosen(settings, only)
    done: list[Fed] = []
    for source in chosen:
        paths = source.found(settings.folder)
        known = known_files(registry, lock_wait=lock_wait) if registry.exists() else frozenset()
        new = [path for path in paths if fingerprint(path) not in known]
        batch = None
        if new:
            if progress is not None:
                progress(f"source {source.name}: {len(new)} new of {len(paths)} files")
            try:
                batch = ingest(
                    new,
                    registry,
                    mapping=source.mapping,
                    operator=operator or settings.operator,
                    amend=amend,
                    blank_is_a_correction=blank_is_a_correction,
                    take_conflicts=False,
                    second_engine=second_engine,
                    lock_wait=lock_wait,
                    progress=progress,
                )
            except FileFault as fault:
                before = "".join(f"; source {one.source} is stored already" for one in done if one.batch)
                raise FileFault(*(f"source {source.name}: {line}{before}" for line in fault.lines)) from None
        done.append(Fed(source.name, len(new), len(paths) - len(new), batch))
    return tuple(done)


def _chosen(settings: Settings, only: Sequence[str]) -> list[FeedSource]:
    unknown = [name for name in only if name not in settings.sources]
    if unknown or not settings.sources:
        known = ", ".join(settings.sources) or "none yet"
        said = f"no source is called '{unknown[0]}'" if unknown else "no source is set"
        raise FileFault(f"{said}; sources in examtally.toml: {known}; add [sources.visits] with `files` and `mapping`")
    return [source for name, source in settings.sources.items() if not only or name in only]
