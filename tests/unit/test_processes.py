"""A second process: its results and faults come back, and it never outlives what needs it."""

from __future__ import annotations

import os
import signal
import time

import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import ContractError, ExamtallyError
from examtally.processes import Beside


def test_calls_run_beside_in_their_order_and_faults_come_back_as_they_are() -> None:
    with Beside() as other:
        started = time.monotonic()
        slow, place = other.begin(time.sleep, 0.5), other.begin(os.getpid)
        assert time.monotonic() - started < 0.4
        wrong = other.begin(load_contract, "tail")
        with pytest.raises(ContractError, match="tail"):
            wrong()
        assert place() == other.begin(os.getpid)() != os.getpid()
        assert slow() is None


def test_a_process_that_was_ended_is_told_in_one_line() -> None:
    with Beside() as other:
        ended = other.begin(os._exit, 9)
        with pytest.raises(ExamtallyError, match=r"^a second process .* run it again$"):
            ended()


@pytest.mark.parametrize("fault", [KeyboardInterrupt, ContractError])
def test_it_is_ended_at_once_where_the_block_fails(fault: type[BaseException]) -> None:
    started = time.monotonic()
    number = 0
    with pytest.raises(fault), Beside() as other:  # noqa: PT012  what fails stands inside
        number = other.begin(os.getpid)()
        other.begin(time.sleep, 60)
        raise fault
    assert time.monotonic() - started < 30
    with pytest.raises(ProcessLookupError):
        os.kill(number, 0)


def test_the_keys_are_for_the_first_process_alone() -> None:
    with Beside() as other:
        number = other.begin(os.getpid)()
        asleep = other.begin(time.sleep, 0.3)
        os.kill(number, signal.SIGINT)
        assert asleep() is None
    assert signal.getsignal(signal.SIGINT) is not signal.SIG_IGN


def test_a_fault_that_nobody_waits_for_and_no_call_at_all_are_no_fault() -> None:
    with Beside():
        pass
    with Beside() as other:
        other.begin(load_contract, "tail")


def test_large_answers_and_large_calls_do_not_wait_for_each_other() -> None:
    large = "x" * (1 << 22)
    with Beside() as other:
        answers = [other.begin(str.upper, large) for _ in range(3)]
        assert [len(answer()) for answer in answers] == [1 << 22] * 3
