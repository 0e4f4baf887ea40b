"""The commands of `combwright`, by what they are about."""
