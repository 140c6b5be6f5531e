"""At the printer and the bench: sheets, cautions, and instruments that turn readings into results."""
