"""Sealed, timed exams: blueprint and forms, the sitting and its journal, the bench service, proctoring, results and appeals."""
