"""A first draft of a mapping from the columns of an export."""
