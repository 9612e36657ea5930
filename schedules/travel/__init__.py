"""How long it takes to drive from one place to another, by whichever provider is set up."""
