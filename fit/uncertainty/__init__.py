"""From a solution to intervals: sources, rival models, refits, doubts, advice."""
