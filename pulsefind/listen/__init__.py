"""From a recording to what is heard in it: activations, harmony, hits and sounds."""
