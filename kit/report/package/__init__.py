"""The data package: a study's tables with a description of every column, and the way back into a study."""
