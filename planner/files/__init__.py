"""Reading a trip folder: text into checked, frozen domain types, every problem at once."""
