"""The robust fit and the rigid fit against reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.transform import EuclideanTransform

from sitegis.place.blunders import huber_fit
from sitegis.place.starts import rigid_fit


def test_huber_fit_gives_the_stackloss_coefficients() -> None:
    """Stack loss data (Brownlee), Huber's T: statsmodels RLM's documented coefficients.

    −41.026498, 0.829384, 0.926066, −0.127847; the scale is RLM's own.
    """
    import statsmodels.api as statsmodels

    data = statsmodels.datasets.stackloss.load_pandas()
    design = statsmodels.add_constant(data.exog)
    scale = statsmodels.RLM(data.endog, design, M=statsmodels.robust.norms.HuberT()).fit().scale
    a, y = design.to_numpy(float), data.endog.to_numpy(float)
    found = huber_fit(lambda x: (y - a @ x) / scale, lambda _: -a / scale, np.zeros(4))

    assert found == pytest.approx([-41.026498, 0.829384, 0.926066, -0.127847], abs=2e-4)


@pytest.mark.parametrize("seed", range(5))
def test_rigid_fit_equals_scikit_image(seed: int) -> None:
    """The pose of noisy points equals scikit-image's EuclideanTransform (Umeyama, no scale)."""
    generator = np.random.default_rng(seed)
    local = generator.uniform(0, 8, (5, 2))
    angle = generator.uniform(-3, 3)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    known = local @ turn.T + generator.uniform(-50, 50, 2) + generator.normal(0, 0.02, (5, 2))
    reference = EuclideanTransform.from_estimate(local, known)
    pose, _misfit = rigid_fit(local, known)

    assert pose[:2] == pytest.approx(np.asarray(reference.translation), abs=1e-9)
    assert pose[2] == pytest.approx(float(reference.rotation), abs=1e-12)
