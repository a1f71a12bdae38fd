"""What a sound system does in a venue: direct sound, coverage, delays, bass, headroom, and the report of all of it."""
