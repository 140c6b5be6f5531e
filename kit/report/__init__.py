"""Pages: the document model, wording, HTML, results.json, and rendering a study's notebooks."""
