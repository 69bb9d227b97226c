"""What a person sees and presses: the application of the page, its views, templates, script and style."""
