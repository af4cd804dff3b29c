"""What is declared in schemas/, as frozen typed objects; nothing clinical is written a second time in Python."""
