"""The registry file and the connections to it."""

from examtally.registry.registry import Registry, open_registry

__all__ = ["Registry", "open_registry"]
