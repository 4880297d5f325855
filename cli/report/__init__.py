"""Make the page of a fit or a comparison in every form that it can take."""
