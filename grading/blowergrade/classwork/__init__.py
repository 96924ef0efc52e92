"""A class: roster, assignments, hand-ins, grades and what goes back, over nbgrader's folders and gradebook.

Rule: student code is never run here, and a grade comes from the record alone; what can't be graded waits for a person with
its reason.
"""
