"""What changed: earlier versions, two people at once, merges, undo and the bin."""
