"""The data dictionary, printed from the declarations."""
