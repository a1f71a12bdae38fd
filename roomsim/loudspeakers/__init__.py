"""What a sound system is made of: boxes in hangs and stacks, and the complex sum of what they radiate."""
