"""Pictures that several commands share."""
