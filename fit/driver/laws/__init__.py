"""Laws of suspension and former, one file each."""
