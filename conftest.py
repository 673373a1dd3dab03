from hypothesis import settings
settings.register_profile("soak", max_examples=1500, deadline=None); settings.load_profile("soak")
