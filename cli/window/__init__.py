"""The bench in a window of the browser, each button one of the commands: `freeair open`."""
