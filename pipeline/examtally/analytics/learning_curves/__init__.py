"""Charts of a learner over cases: LC-CUSUM and CUSUM with exact limits."""
