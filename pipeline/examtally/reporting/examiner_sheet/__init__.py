"""The examiner's own sheet: private, fair, nobody else on it."""
