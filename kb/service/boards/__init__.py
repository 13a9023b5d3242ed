"""Board families, and the lists a shop may extend."""
