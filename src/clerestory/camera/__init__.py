"""The one camera model: optics, exposure, noise, steadiness and geometry. Imports nothing above it."""
