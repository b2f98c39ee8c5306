// The page of one exercise.

import "./music.js";
import "./hear.js";
