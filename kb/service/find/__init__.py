"""Finding cases by words and filters."""
