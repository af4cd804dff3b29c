"""What records, catalogue, protocol and results must look like, read from the declared files."""

from __future__ import annotations

from examtally.contracts.contract import Contract, load_contract

__all__ = ["Contract", "load_contract"]
