"""Reports of stored runs and comparisons: one HTML file or PDF; work sheets for the panel."""
