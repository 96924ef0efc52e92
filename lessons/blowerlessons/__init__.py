"""The course: lessons as text, their exercises and checks, and the workspace that a learner works in."""
