"""Which treatment is worth its money: candidates, search, marginal value, and where late sound comes
from."""
