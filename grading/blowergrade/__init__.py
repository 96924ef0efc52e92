"""The grader: safety, isolation, repair, verification and write-up, from a call record alone."""
