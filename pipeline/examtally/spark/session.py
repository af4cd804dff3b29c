"""A Spark session that keeps to itself: temporary files in a private folder, encrypted; no page, no open door, no log.

It runs on this machine unless it is told where else, by name or by a submit line (PYSPARK_SUBMIT_ARGS).
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from examtally.errors import EngineError
from examtally.files import private_files
from examtally.memory import for_database

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

_SUBMITTED = ("PYSPARK_GATEWAY_PORT", "PYSPARK_SUBMIT_ARGS")
_OUTPUTS = (1, 2)
_LEAST = 2**30
_PATIENCE = 30.0
_JAVA = "-XX:-UsePerfData -XX:+UseParallelGC -XX:TieredStopAtLevel=1"  # most of the time here goes into planning


def _always(folder: Path) -> dict[str, str]:
    """What holds wherever it runs."""
    return {
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.eventLog.enabled": "false",
        "spark.io.encryption.enabled": "true",
        "spark.log.level": "OFF",
        "spark.sql.ansi.enabled": "true",
        "spark.sql.catalogImplementation": "in-memory",
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.warehouse.dir": str(folder / "warehouse"),
    }


def _here(folder: Path) -> dict[str, str]:
    """What holds where this machine does all the work."""
    return {
        "spark.driver.bindAddress": "127.0.0.1",
        "spark.driver.host": "127.0.0.1",
        "spark.driver.memory": f"{max(_LEAST, for_database()) // 2**20}m",
        "spark.driver.extraJavaOptions": f"-Djava.io.tmpdir={folder} {_JAVA}",
        "spark.local.dir": str(folder),
        "spark.sql.adaptive.enabled": "false",
        "spark.sql.shuffle.partitions": "2",
        "spark.sql.codegen.wholeStage": "false",
        "spark.sql.codegen.factoryMode": "NO_CODEGEN",
    }


@contextmanager
def spark_session(folder: Path, master: str | None = None) -> Iterator[SparkSession]:
    """A session with its temporary files in `folder`, stopped when the block ends.

    `master` is Spark's word for where it runs, such as `local[2]` or `spark://host:7077`; without it, what was
    submitted, or all of this machine. Raises EngineError where Java is missing or Spark cannot start.
    """
    builder = _builder()
    if master is None and not any(name in os.environ for name in _SUBMITTED):
        master = "local[*]"
    settings = _always(folder) | ({} if master is None else {"spark.master": master})
    if master is not None and master.startswith("local"):
        settings |= _here(folder)
    for name, value in settings.items():
        builder = builder.config(name, value)
    session = _started(builder)
    try:
        yield session
    finally:
        _end(session)


def _end(session: SparkSession) -> None:
    """Stop Spark, and Java with it: it holds records, and would write into a folder that is removed."""
    from pyspark import SparkContext

    gateway: Any = SparkContext._gateway
    with suppress(Exception):  # of Java that is gone
        session.stop()
    java = getattr(gateway, "proc", None)
    if java is None:  # a submit line began it, and ends it
        return
    with suppress(Exception):
        gateway.shutdown()
    java.stdin.close()
    try:
        java.wait(_PATIENCE)
    except subprocess.TimeoutExpired:
        java.kill()
        java.wait()
    SparkContext._gateway = SparkContext._jvm = None


def _builder() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)  # it speaks of frames of pandas, and none is made
        from pyspark.sql import SparkSession
    if shutil.which("java") is None and "JAVA_HOME" not in os.environ:
        raise EngineError("Spark needs Java 17 or newer, and there is none on PATH; `examtally doctor` looks for it")
    return SparkSession.builder.appName("examtally")


def _started(builder: Any) -> Any:
    """Start Spark; Ctrl-C stays with this program."""
    before = signal.getsignal(signal.SIGINT)
    try:
        with private_files(), _unheard():
            return builder.getOrCreate()
    except Exception as fault:  # of Java, of the network, of a setting: Spark raises what it likes
        raise EngineError(
            f"Spark did not start ({type(fault).__name__}); `examtally doctor` shows Java, and EXAMTALLY_DEBUG=1 what "
            "Spark says, which may hold values of records"
        ) from None
    finally:
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGINT, before)


@contextmanager
def _unheard() -> Iterator[None]:
    """A program started meanwhile writes to nowhere, for as long as it runs: its log may quote records."""
    if os.environ.get("EXAMTALLY_DEBUG"):
        yield
        return
    kept = [os.dup(output) for output in _OUTPUTS]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        for output in _OUTPUTS:
            os.dup2(nowhere, output)
        yield
    finally:
        for output, was in zip(_OUTPUTS, kept, strict=True):
            os.dup2(was, output)
            os.close(was)
        os.close(nowhere)


def spark_path(path: Path) -> str:
    """Return how Spark is told to read a file or folder; it would take some signs for a pattern."""
    return "file:" + re.sub(r"([][{}*?\\])", r"\\\1", str(path))
