"""Networks solved into measured drivers, textbook values for them, and SPICE circuits of both."""
