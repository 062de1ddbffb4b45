"""Stage 3, Photo and Lid -> Registration: which pixel is which lid millimetre today.

geometry    what a registration is, and what is known of a lid's look
holes       circles in the picture; the exact centre of a hole whose place is nearly known
tags        printed tags
camera      the pose of the lid's plane, fitted to points and squares
lattice     which circle is which hole
view        straightened views: learned, kept
alignment   a photo laid on the lid's known look
naming      which way round the lid lies
finding     photo and lid in, registration out
"""

from sprout.registration.finding import register
from sprout.registration.geometry import LidView, Registration
from sprout.registration.view import learn_view, load_view, save_view, straighten

__all__ = ["LidView", "Registration", "learn_view", "load_view", "register", "save_view", "straighten"]
