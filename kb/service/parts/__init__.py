"""Parts on the shelf: what there is, what a repair takes, what to order, what to quote."""
