"""From energy over time to decays."""
