"""A school's records of persons: what they sat, what came of it, who was told, and how it ends."""
