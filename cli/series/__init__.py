"""Judge the units of one design by limits from good ones: `freeair series`."""
