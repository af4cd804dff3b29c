"""What is clinical: conditions, maneuvers, history and cautions of a joint."""
