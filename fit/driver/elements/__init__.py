"""Parts of coils and laws."""
