"""What the key makes: codes that keep the rule, clocks that keep intervals, a key that nobody else may read."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import duckdb
import pytest

from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.rules import pseudonym_sql
from examtally.contracts.records.screening import shape_sql
from examtally.deidentification.coding import CLOCK_SPREAD, coded, normal, offsets
from examtally.deidentification.keyfile import SiteKey, make_key, read_key
from examtally.errors import KeyFileError

KEY = SiteKey(bytes(range(32)), 741_515, 24_000)
PEOPLE = [str(number) for number in range(1, 200_001)]


def test_every_code_keeps_the_rule_and_none_looks_like_a_person() -> None:
    people = PEOPLE[:60_000]
    codes = list(coded(KEY, "participant", people).values())
    rule = pseudonym_sql("code", load_pseudonym_rule())
    ((good, hits, distinct),) = duckdb.execute(
        f"select count(*) filter ({rule}), count({shape_sql('code', ('any', 'coded'))}), count(distinct code) "
        "from (select unnest(?) as code)",
        [codes],
    ).fetchall()
    assert (good, hits, distinct) == (len(people), 0, len(people))


def test_codes_are_stable_and_depend_on_key_and_kind() -> None:
    other = SiteKey(bytes(32), KEY.middle_day, KEY.month_zero)
    once, again = (coded(KEY, "participant", ["00123", "456"]) for _ in range(2))
    assert once == again
    assert once["00123"] == coded(KEY, "participant", ["123"])["123"]
    assert once["456"] != coded(other, "participant", ["456"])["456"]
    assert once["456"][3:] != coded(KEY, "examiner", ["456"])["456"][3:]
    assert normal("DR.  Lund ") == normal("dr. lund") != normal("dr. lunde")


def test_clocks_spread_evenly_and_say_nothing_of_the_person() -> None:
    shifts = [shift + KEY.middle_day for shift in offsets(KEY, PEOPLE).values()]
    assert min(shifts) >= -CLOCK_SPREAD
    assert max(shifts) <= CLOCK_SPREAD
    mean = sum(shifts) / len(shifts)
    assert abs(mean) < 5 * CLOCK_SPREAD / (3 * len(shifts)) ** 0.5  # five standard errors of a uniform mean
    quarter = sum(shift < -CLOCK_SPREAD // 2 for shift in shifts) / len(shifts)
    assert quarter == pytest.approx(0.25, abs=0.006)


def test_a_key_is_for_its_owner_alone(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "key"
    make_key(path, around=2031)
    assert path.stat().st_mode & 0o777 == 0o600
    secret = json.loads(path.read_text())["secret"]
    key = read_key(path)
    assert key.secret.hex() == secret
    assert secret not in repr(key)
    with pytest.raises(KeyFileError, match="there already"):
        make_key(path)
    assert read_key(path) == key
    path.chmod(0o640)
    with pytest.raises(KeyFileError, match="others may read it"):
        read_key(path)
    said = capfd.readouterr()
    assert said.out == said.err == ""


def test_a_key_inside_a_repository_is_refused(tmp_path: Path) -> None:
    subprocess.run(["git", "init", "-q", str(tmp_path / "work")], check=True)
    (tmp_path / "work" / "deep").mkdir()
    with pytest.raises(KeyFileError, match="inside a repository"):
        make_key(tmp_path / "work" / "deep" / "key")
    make_key(tmp_path / "key")
    (tmp_path / "key").rename(tmp_path / "work" / "key")
    with pytest.raises(KeyFileError, match="inside a repository"):
        read_key(tmp_path / "work" / "key")


@pytest.mark.parametrize(
    "content", ["", "{}", "[]", '{"what": "examtally site key", "version": 1, "secret": "ab"}', "é"]
)
def test_what_is_no_key_is_refused(content: str, tmp_path: Path) -> None:
    path = tmp_path / "key"
    path.write_text(content, encoding="latin-1")
    path.chmod(0o600)
    with pytest.raises(KeyFileError, match=r"^key: "):
        read_key(path)
    with pytest.raises(KeyFileError, match="make one once"):
        read_key(tmp_path / "none")
