"""Pictures in time: a narrated film from a visit's finished pictures.

A film is VISIT/film/film.toml:

    title = "Saint Ælfwyn's, an afternoon"      # also: subtitle, credits, poster, language, words_a_minute
    narration = "take.wav"                      # one long take, split at its silences; or `narration` in a shot
    music = "organ.flac"                        # gives way under speech
    loudness = -18                              # LUFS: -18 over the net (AES TD1008), -23 broadcast (EBU R 128)

    [[shots]]
    picture = "nave-east"                       # a file in pictures/
    chapter = "The nave"                        # a chapter begins here
    caption = "The nave, looking east"          # low in the frame, the camera's settings under it
    words = "The builders of this nave ..."     # spoken, and the captions
    move = "push"                               # hold, push, pull, pan, tilt; with direction, towards, amount
    seconds = 9                                 # left out: as long as its words take
    join = "dissolve"                           # or cut
                                                # also: whole, before, within, region, settings, join_seconds,
                                                # beside, wipe, older; or in place of `picture`: straightening,
                                                # standpoint, walk, distance, focus, exposures, merge, clip

or VISIT/film/script.md, in which headings are chapters, pictures are shots, and what stands under a picture is said
over it:

    # Saint Ælfwyn's, an afternoon
    ## The nave
    ![The nave, looking east](../pictures/nave-east.tif "push, 9 s")
    The builders of this nave ...
    ## Credits
    - Photographs: the photographer

With `draft`, film.toml is written from the pictures alone.
"""

from clerestory.film.produce import FilmResult, load_film, make, plan_film

__all__ = ["FilmResult", "load_film", "make", "plan_film"]
