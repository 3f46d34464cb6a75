"""Where to mount on a property, how high, and how to aim there."""
