"""Tests of a curve by what passivity demands."""
