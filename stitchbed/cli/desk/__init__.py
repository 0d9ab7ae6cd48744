"""Commands of the desk: its pages, and the guide they and the shell show."""
