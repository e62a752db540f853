"""The steps from one schema to the next, numbered. A released step is never edited."""
