"""The board file that a drawing makes: proposed, written, merged with what a person wrote, and what is left to say."""
