"""What the readings say: fitted surfaces, checks, canonical analysis, comparisons, the gauge study."""
