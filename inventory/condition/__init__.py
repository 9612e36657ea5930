"""How fast each charge is going, from every reading of a unit and of its peers."""
