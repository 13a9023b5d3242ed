"""What a process knows of a shared database while it is cut off from it."""
