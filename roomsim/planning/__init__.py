"""Which treatment is worth its money: candidates, search, trade-offs, and where late energy comes from."""
