"""Pictures: one style, one function a picture, alt text with each. No statistics, no files."""
