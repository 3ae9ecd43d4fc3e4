"""An invented business in an invented valley: what `manage.py demo` builds, through the real services, and tells.

Facts are in fixtures/demo; chance comes from fixed seeds; all days follow from one `today`.
"""
