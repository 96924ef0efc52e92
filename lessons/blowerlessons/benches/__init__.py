"""The benches of the lessons, one module a lesson, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or a formula's result; no number is
typed in. A learner who looks in here finds how to get a value, which is what the lesson teaches anyway.
"""
