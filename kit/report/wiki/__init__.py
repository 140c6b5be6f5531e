"""A report as the text of a wiki page: MediaWiki, DokuWiki and Markdown."""
