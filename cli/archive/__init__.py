"""Know what lies in a folder of years: its files, states, kept results and statistics."""
