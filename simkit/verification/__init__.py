"""Problems with known solutions, and the verification manual that is written from their results."""
