"""Stories: what a caller sees from outside, told from beginning to end."""
