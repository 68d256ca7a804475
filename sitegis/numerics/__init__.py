"""Statistics, mixtures, intervals and the rules for ties that the stages share."""
