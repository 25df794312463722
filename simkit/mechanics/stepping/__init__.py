"""An operation step by step: loading, release prediction, release."""
