"""All takes as one least-squares problem, fitted until model error and residuals agree."""
