"""From what the user wrote to the flat arrays that the engine needs."""
