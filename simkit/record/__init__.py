"""Run folders: one writer and one reader."""
