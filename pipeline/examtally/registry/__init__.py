"""The registry file and the connections to it.

Names are loaded when they are first used: whoever only needs a folder for work under way loads no database.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from examtally.registry.registry import Registry, open_registry

__all__ = ["Registry", "open_registry"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from examtally.registry import registry

        return getattr(registry, name)
    raise AttributeError(f"module 'examtally.registry' has no attribute '{name}'")
