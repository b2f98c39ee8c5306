"""Static files with hashed names, imports between ES modules included."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class ModuleStaticFilesStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # no types there
    """WhiteNoise's storage, which also rewrites the `import` lines of ES modules to the hashed names."""

    support_js_module_import_aggregation = True
