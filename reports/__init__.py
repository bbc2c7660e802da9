"""Shows a finished run: JSON, HTML, text for the terminal and the ticket."""
