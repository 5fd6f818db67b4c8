"""What a forecast answers: where it is thin, what helps, what is due, what it rests on, what gauges should read."""
