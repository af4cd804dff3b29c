"""An export without what identifies a person, made outside the registry with a key that never leaves the site."""

from examtally.deidentification.deidentify import Deidentified, deidentify
from examtally.deidentification.keyfile import make_key

__all__ = ["Deidentified", "deidentify", "make_key"]
