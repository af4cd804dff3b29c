"""The command line: reads words, calls one function of the package, says what happened."""
