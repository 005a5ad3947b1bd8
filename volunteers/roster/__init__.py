"""Bringing in the roster a coordinator has today: a spreadsheet saved as CSV, or cells pasted from one.

reading (bytes to cells), columns (headings), cells and days (one cell), meaning (a row to a person),
known (who is already there), plan (what each row becomes), applying (`preview` and `apply`).
"""
