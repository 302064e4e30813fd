"""The clinical plan of a visit: from working length to obturation, canal by canal.

Pure functions: `worked_out` takes one frozen `VisitPlan` and returns everything the chairside
sheet shows, so that a change of working length changes all that depends on it.
"""
