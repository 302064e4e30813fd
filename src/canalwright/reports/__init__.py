"""Results for people: figures, the PDF report, and numbers as text.

Functions from results to pictures and pages; nothing here computes what a result does not hold.
"""
