"""Sending a report to a wiki without ever harming what people wrote there."""
