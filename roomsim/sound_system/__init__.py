"""The sound system of a venue: direct sound, coverage, delays, bass, headroom, and a report with all of these."""
