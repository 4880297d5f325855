"""Lead a newcomer by questions that run the other commands: `freeair guide`."""
