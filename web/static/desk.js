// Starts the forms of a page that stands still.
import { takeActs } from "./acts.js";

takeActs();
