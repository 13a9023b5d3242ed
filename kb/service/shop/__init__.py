"""One shop: its store, its long work, the copies derived from the store, and what is known while cut off from it."""
