"""Agreement of two or more examiners on the same knees, clustered by participant."""
