"""Files and sheets for people, made from a snapshot."""
