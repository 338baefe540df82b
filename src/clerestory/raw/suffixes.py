"""Which files are taken for frames, by how their names end. No decoder is loaded to know this."""

HEIF_SUFFIXES = frozenset({".heic", ".heif"})
RENDERED_SUFFIXES = frozenset({".jpg", ".jpeg", ".tif", ".tiff", ".png", *HEIF_SUFFIXES})
_RAW = """3fr arw bay cap cr2 cr3 crw dcr dng erf fff iiq k25 kdc mef mos mrw nef nrw orf ori pef raf raw rw2 rwl sr2
srf srw x3f"""
RAW_SUFFIXES = frozenset("." + word for word in _RAW.split())
