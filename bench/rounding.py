"""How the network of `clerestory.develop.learned` is rounded: as it learns (network.py) and is packed (train.py)."""

MOST_WEIGHT = 64  # of a whole weight: two products with values up to 255 still fit 16 bits, on any processor
LEAST = 1e-6  # of what is divided by
LARGEST = {0: 255, -128: 127}  # of the whole numbers that a tensor is held in, by the least of them
