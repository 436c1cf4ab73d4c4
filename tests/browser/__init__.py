"""The app in a real browser: started by its command, used by mouse, keyboard and finger."""
