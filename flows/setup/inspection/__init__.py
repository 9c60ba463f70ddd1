"""``checkstrip inspect``: looks over the set-up and says what to do."""
