"""Files that are whole or absent: atomic writing, locks, TOML with line numbers, TIFF directories, digests."""
