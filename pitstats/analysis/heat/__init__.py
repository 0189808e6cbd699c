"""Gauges, probes, cell temperatures and rise."""
