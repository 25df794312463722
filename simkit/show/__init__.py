"""Pictures from stored records."""
