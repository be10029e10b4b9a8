"""Frozen records that flow through the pipeline; every other layer may import them, they import nothing."""
