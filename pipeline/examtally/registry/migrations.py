"""The forms a registry has had, one step after the other. Append; never change a step that has been released."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Migration:
    """One step from the form before it to form `version`; `statements` run in order, in one transaction."""

    version: int
    statements: tuple[str, ...]


MIGRATIONS = (
    Migration(
        1,
        (
            "create schema if not exists reg.waiting",
            """create table reg.batches (
                batch_no INTEGER NOT NULL, received_at TIMESTAMP NOT NULL, operator VARCHAR,
                tool_version VARCHAR NOT NULL
            )""",
            """create table reg.batch_tables (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL,
                fingerprint VARCHAR NOT NULL, bytes BIGINT NOT NULL, lines BIGINT NOT NULL, stored BIGINT NOT NULL,
                unchanged BIGINT NOT NULL, conflict BIGINT NOT NULL, waiting BIGINT NOT NULL, held_back BIGINT NOT NULL,
                CHECK (lines = stored + unchanged + conflict + waiting + held_back)
            )""",
            """create table reg.released (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
            """create table reg.held_back (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL, line BIGINT NOT NULL,
                "column" VARCHAR NOT NULL, rule VARCHAR NOT NULL, kind VARCHAR NOT NULL
                CHECK (kind in ('held_back', 'conflict'))
            )""",
            """create table reg.intake_checks (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, rule VARCHAR NOT NULL,
                expectation VARCHAR NOT NULL, "rows" BIGINT NOT NULL, checked BIGINT NOT NULL, unexpected BIGINT,
                raised BOOLEAN NOT NULL
            )""",
        ),
    ),
    Migration(
        2,
        (
            """create table reg.batch_exports (
                batch_no INTEGER NOT NULL, file_no INTEGER NOT NULL, fingerprint VARCHAR NOT NULL,
                bytes BIGINT NOT NULL, lines BIGINT NOT NULL, mapped BIGINT NOT NULL, skipped BIGINT NOT NULL,
                empty BIGINT NOT NULL, CHECK (lines = mapped + skipped + empty)
            )""",
            """create table reg.assumptions (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, assumption VARCHAR NOT NULL,
                code VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
        ),
    ),
    Migration(
        3,
        (
            "create schema if not exists reg.superseded",
            """create table reg.log (
                entry INTEGER NOT NULL, logged_at VARCHAR NOT NULL, operator VARCHAR, action VARCHAR NOT NULL,
                batch_no INTEGER, details VARCHAR NOT NULL, before VARCHAR NOT NULL, hash VARCHAR NOT NULL
            )""",
            """create table reg.fingerprints (
                part VARCHAR NOT NULL, "table" VARCHAR NOT NULL, batch_no INTEGER NOT NULL, "rows" BIGINT NOT NULL,
                total VARCHAR NOT NULL
            )""",
            """create table reg.erased (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
            "create table reg.tombstones (kind VARCHAR NOT NULL, digest VARCHAR NOT NULL)",
            "create table reg.tombstone_key (key VARCHAR NOT NULL)",
            "create table reg.retried (batch_no INTEGER NOT NULL, by_batch INTEGER NOT NULL)",
        ),
    ),
    Migration(
        4,
        (
            """create table reg.held_by (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL, line BIGINT NOT NULL,
                examiner_id VARCHAR NOT NULL, site_id VARCHAR
            )""",
        ),
    ),
    Migration(5, ()),  # the bookkeeping has fingerprints too; a new form renews them
    Migration(  # records of several joints; until then all were of one
        6,
        (
            *(
                f"alter table if exists reg.{schema}{table} add column if not exists joint VARCHAR default 'knee'"
                for schema in ("", "superseded.")
                for table in ("exams", '"references"')
            ),
            """create table reg.catalogues (
                batch_no INTEGER NOT NULL, joint VARCHAR NOT NULL, hash VARCHAR NOT NULL, local VARCHAR NOT NULL
            )""",
        ),
    ),
)
