"""What stands between a network and the app: nobody comes in without signing in."""
