"""Work in other processes: isolation of hostile files, a pool, a cluster, progress. Knows nothing of frames."""
