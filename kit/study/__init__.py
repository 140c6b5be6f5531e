"""What the user wrote: the description, the two tables, and the list of everything wrong with them."""
