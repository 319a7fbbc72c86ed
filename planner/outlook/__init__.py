"""What lies ahead: what the priors imply before any trial, budget, review and verification."""
