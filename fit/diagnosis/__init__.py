"""From deviations to causes in the build."""
