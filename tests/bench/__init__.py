"""The figures of the project, measured. One small module a row of the table; `python -m tests.bench [AREA]`.

These are measurements, not tests: they tell how fast or small something is here and now, on a machine whose load is
printed beside them. Each is the median of several runs, or a stated percentile of many.
"""
