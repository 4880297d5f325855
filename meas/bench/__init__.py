"""The rig as a model of its commented file."""
