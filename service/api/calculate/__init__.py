"""``/v1/calculate/…``: a table of formulas, each with its fields and an example, as operations.

In: a question as JSON. Out: what the formula's function returns, dumped by the row's own fields.
"""
