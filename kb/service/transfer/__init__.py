"""Records in and out: JSON Lines, data packages, shares, another database."""
