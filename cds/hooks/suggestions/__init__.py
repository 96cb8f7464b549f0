"""What a card offers: orders to create, update or complete."""
