"""The card that benchd has plans and firmware for: its image, and listening to a card whoever made it."""
