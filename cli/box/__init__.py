"""Design a box for a measured driver, and check the finished one: `freeair box`, `box-check`."""
