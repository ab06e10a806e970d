"""The history of the tables. A migration that was released is never changed."""
