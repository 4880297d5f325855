"""Many units of one design: limits from good ones, one unit judged by them."""
