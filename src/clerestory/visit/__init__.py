"""The visit folder: originals kept whole, writes that never leave a half, the catalogue, the journal."""
