"""A panel under repair: workpiece, operations, session, step rows."""
