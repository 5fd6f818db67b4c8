"""What ships with the program about the ground, towns and usual temperatures: known without asking anybody."""
