"""Running, storing and comparing the scenarios of a study."""
