"""What the embedder has to beat, on the same windows: generic ImageNet features, and SIFT with RANSAC.

References
----------
D. G. Lowe, "Distinctive Image Features from Scale-Invariant Keypoints", IJCV 60, 2004. Changed: no
ratio test, because a border repeats itself, so that the second nearest point is as near as the nearest.
R. Arandjelović, A. Zisserman, "Three things everyone should know to improve object retrieval", CVPR 2012:
square-rooted descriptors.
M. A. Fischler, R. C. Bolles, "Random Sample Consensus", CACM 24, 1981.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from training.dataset import Windows
from training.views import EmbedWindows, View

FloatArray = npt.NDArray[np.float32]

KEYPOINTS, DESCRIPTOR = 96, 128
# SIFT finds few points in pictures 96 rows high; twice the size gives it its octaves.
ENLARGE = 2.0
# Cosine of two square-rooted descriptors that counts as a match; .8 to .93 tried on validation strips.
MATCHING_COSINE = 0.9
QUERY_WINDOWS, GALLERY_WINDOWS = 2, 4
# Gallery windows with the most matches that are checked by RANSAC.
CHECKED = 24
REPROJECTION_PX = 6.0
LEAST_MATCHES = 4


def pretrained_features(backbone: Path) -> EmbedWindows:
    """The ImageNet backbone's own features of the print strength, averaged over the window, unit length."""
    import torch

    from training.network import Backbone

    device = "cuda" if torch.cuda.is_available() else "cpu"
    network = Backbone()
    network.load_imagenet(backbone)
    network = network.eval().to(device)

    def embed(windows: Windows) -> FloatArray:
        parts = []
        with torch.inference_mode():
            for first in range(0, len(windows), 128):
                strength = torch.from_numpy(windows[first : first + 128, :1]).to(device).float() / 255
                maps = network(((strength - 0.5) / 0.5).expand(-1, 3, -1, -1))
                parts.append(torch.nn.functional.normalize(maps.mean(dim=(2, 3)), dim=1).cpu().numpy())
        return np.concatenate(parts)

    return embed


@dataclass(frozen=True)
class Keypoints:
    """Of one window: positions (96, 2) px and descriptors (96, 128) unit rows, zero where there are fewer."""

    positions: FloatArray
    descriptors: FloatArray


def find_keypoints(window: npt.NDArray[np.uint8]) -> Keypoints:
    """SIFT of a window's print strength."""
    picture = cv2.resize(window[0], None, fx=ENLARGE, fy=ENLARGE, interpolation=cv2.INTER_CUBIC)
    points, found = cv2.SIFT.create(nfeatures=KEYPOINTS).detectAndCompute(picture, None)
    positions, descriptors = (
        np.zeros((KEYPOINTS, 2), np.float32),
        np.zeros((KEYPOINTS, DESCRIPTOR), np.float32),
    )
    count = min(len(points), KEYPOINTS)
    if count:
        positions[:count] = [point.pt for point in points[:count]]
        rooted = np.sqrt(found[:count] / np.maximum(found[:count].sum(axis=1, keepdims=True), 1e-9))
        descriptors[:count] = rooted
    return Keypoints(positions, descriptors)


class SiftGallery:
    """Gallery views as keypoints; ranks motifs by the most inliers of a similarity between two windows."""

    def __init__(self, views: Sequence[View]) -> None:
        self._motifs: list[int] = []
        points = []
        for view in views:
            for window in view.windows[:GALLERY_WINDOWS]:
                points.append(find_keypoints(window))
                self._motifs.append(view.motif)
        self._positions = np.stack([p.positions for p in points])
        self._descriptors = np.concatenate([p.descriptors for p in points])

    def rank(self, view: View) -> list[int]:
        """Motif numbers, best first; motifs without any match stand last, in no order of merit."""
        scores: dict[int, float] = dict.fromkeys(self._motifs, 0.0) | self.count_inliers(view)
        return sorted(scores, key=lambda motif: -scores[motif])

    def count_inliers(self, view: View) -> dict[int, float]:
        """Inliers of each motif that has any, summed over the query's windows."""
        scores: dict[int, float] = {}
        for window in view.windows[:QUERY_WINDOWS]:
            for motif, inliers in self._count_inliers(find_keypoints(window)).items():
                scores[motif] = scores.get(motif, 0.0) + inliers
        return scores

    def _count_inliers(self, query: Keypoints) -> dict[int, float]:
        similarity: FloatArray = (query.descriptors @ self._descriptors.T).reshape(KEYPOINTS, -1, KEYPOINTS)
        good = np.asarray(similarity.max(axis=2) > MATCHING_COSINE)
        counts = good.sum(axis=0)
        best: dict[int, float] = {}
        for place in np.argsort(-counts, kind="stable")[:CHECKED]:
            if counts[place] < LEAST_MATCHES:
                break
            rows = np.flatnonzero(good[:, place])
            partners = similarity[rows, place].argmax(axis=1)
            inliers = _similarity_inliers(query.positions[rows], self._positions[place][partners])
            motif = self._motifs[place]
            best[motif] = max(best.get(motif, 0.0), inliers)
        return best


def _similarity_inliers(first: FloatArray, second: FloatArray) -> float:
    _, inliers = cv2.estimateAffinePartial2D(
        first, second, method=cv2.RANSAC, ransacReprojThreshold=REPROJECTION_PX, maxIters=500
    )
    return 0.0 if inliers is None else float(inliers.sum())
