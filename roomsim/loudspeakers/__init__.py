"""The parts of a sound system: boxes in hangs and stacks, and the complex sum of their radiation."""
