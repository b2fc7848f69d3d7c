"""What the workshop knows of its units: their stories, and what they teach."""
