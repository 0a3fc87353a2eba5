from __future__ import annotations

import numpy as np

from buslens.rehearsal.random_streams import RandomStreams


class TestUniform:
    """Each concern draws from a stream of its own, fixed by the seed."""

    def test_no_concern_disturbs_another(self) -> None:
        alone, crowded = RandomStreams(5), RandomStreams(5)
        crowded.uniform("other", 100)
        first = crowded.uniform("door", 3)
        crowded.uniform("other", 7)
        rest = crowded.uniform("door", 4)
        assert np.array_equal(alone.uniform("door", 7), np.concatenate([first, rest]))

    def test_seeds_and_concerns_differ(self) -> None:
        drawn = [RandomStreams(seed).uniform(concern, 8).tolist() for seed in (1, 2) for concern in ("a", "b")]
        assert len({tuple(numbers) for numbers in drawn}) == 4

    def test_fills_its_range_evenly(self) -> None:
        numbers = RandomStreams(3).uniform("a", 40_000, -2.0, 6.0)
        counts, _ = np.histogram(numbers, bins=8, range=(-2.0, 6.0))
        assert counts.sum() == 40_000
        # Five standard deviations of a binomial count: a fair source fails once in a million.
        assert np.abs(counts - 5000).max() < 5 * (40_000 * (1 / 8) * (7 / 8)) ** 0.5

    def test_is_the_raw_output_of_the_generator(self) -> None:
        """Numpy's own conversion to floats of the same bits is the reference."""
        from zlib import crc32

        source = np.random.PCG64(np.random.SeedSequence([9, crc32(b"a")]))
        assert RandomStreams(9).uniform("a", 50).tolist() == np.random.Generator(source).random(50).tolist()
