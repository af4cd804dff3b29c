"""What a group's settings file stands in for: options that a command was not given.

Only options of that meaning are filled, and none where it would change what the command does.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from examtally.contracts.settings import SETTINGS_FILE, Settings, find_settings
from examtally.errors import ContractError

NO_SETTINGS = "--no-settings"
_LEFT_OUT = {("report", "intake", "registry"), ("report", "examiner", "registry"), ("study", "check", "registry")}
_ONLY_FOR_RELEASE = {("report", "audit", "registry"), ("report", "audit", "operator")}


def without_settings(arguments: list[str]) -> tuple[list[str], bool]:
    """Return the words of the command line without `--no-settings`, and whether it was there."""
    kept = [word for word in arguments if word != NO_SETTINGS]
    return kept, len(kept) < len(arguments)


def settings_here() -> Settings | None:
    """Return the settings of the working folder or of one above it."""
    return find_settings(Path.cwd())


def needed_settings() -> Settings:
    """Return the settings; raises ContractError where there are none."""
    found = settings_here()
    if found is None:
        raise ContractError(
            f"there is no {SETTINGS_FILE} here or in a folder above; `examtally guide first-report` shows one"
        )
    return found


def defaults(settings: Settings, group: Any, arguments: list[str]) -> dict[str, Any]:
    """Return the values for the options of every command, as the command line library takes them."""
    left_out = _LEFT_OUT | (set() if "release" in arguments else _ONLY_FOR_RELEASE)
    left_out |= {("report", "intake", "results")} if "--registry" in arguments else set()

    def of(command: Any, path: tuple[str, ...]) -> dict[str, Any]:
        if hasattr(command, "commands"):
            return {name: of(inner, (*path, name)) for name, inner in command.commands.items()}
        return {
            param.name: str(value)
            for param in command.params
            if param.param_type_name == "option" and (value := _value(settings, path, param)) is not None
            if (*path, param.name) not in left_out
        }

    return of(group, ())


def _value(settings: Settings, path: tuple[str, ...], param: Any) -> Path | str | None:
    """What the settings say of one option of a command."""
    is_study = path[0] == "study"
    if param.name == "out":
        return settings.results if path == ("analyze",) else settings.reports if path[0] == "report" else None
    if param.name == "synonyms":
        own = settings.synonyms
        return own if path == ("map", "learn") or (own is not None and own.exists()) else None
    if param.name in ("registry", "results"):
        found: Path | None = getattr(settings, param.name)
        is_there = found is not None and found.exists()
        is_needed = param.required or path == ("analyze",)  # it reads a registry unless it is told of tables
        return None if is_study and param.name == "results" else found if is_needed or is_there else None
    return getattr(settings, param.name) if param.name in ("protocol", "catalogue", "operator") else None
