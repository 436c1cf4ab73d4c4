"""Tables as they come: what was understood, what is asked, and the yes."""
