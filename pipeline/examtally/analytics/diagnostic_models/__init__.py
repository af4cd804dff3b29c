"""Models over history and maneuvers: out-of-fold forecasts, added value, the short exam, decision curves."""
