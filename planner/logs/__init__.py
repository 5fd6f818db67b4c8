"""Learning the car from its logs: where a log was driven, the fit, the review of a day, their commands."""
