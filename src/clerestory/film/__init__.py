"""Pictures in time: a narrated film from a visit's finished pictures."""

from clerestory.film.produce import FilmResult, load_film, make, plan_film

__all__ = ["FilmResult", "load_film", "make", "plan_film"]
