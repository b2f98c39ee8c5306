"""Files with music to go on with: MusicXML, which becomes ABC, and ABC as it stands."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest

from analysis.musicxml import from_musicxml
from analysis.score import to_abc
from studio.exercises.forms import MAX_ABC, sentence
from studio.upload_mark import was_too_big

#: Kept while a file arrives (studio.takes.uploads).
MAX_BYTES: Final = 4_000_000
_ABC: Final = ".abc"


class ImportForm(forms.Form):
    """One file. Valid, its music is in `abc`."""

    file = forms.FileField(
        label="File",
        help_text="MusicXML (.musicxml, .xml, .mxl) with its gracenotes, or ABC (.abc).",
        widget=forms.FileInput(attrs={"accept": ".musicxml,.xml,.mxl,.abc"}),
        error_messages={"required": "Choose a file first.", "empty": "This file is empty. Choose another one."},
    )
    abc: str = ""

    def __init__(self, request: HttpRequest) -> None:
        sent = request.method == "POST"
        super().__init__(request.POST if sent else None, request.FILES if sent else None)
        if was_too_big(request):
            self.fields["file"].error_messages["required"] = (
                f"This file is larger than {MAX_BYTES // 1_000_000} MB. Choose one that holds one short piece of music."
            )

    def clean_file(self) -> Any:
        file: UploadedFile[Any] = self.cleaned_data["file"]
        data = file.read()
        self.abc = _text_of(data) if str(file.name).lower().endswith(_ABC) else _written_out(data)
        if len(self.abc) > MAX_ABC:
            raise ValidationError(
                f"This music is too long: it has {len(self.abc)} characters as ABC, and {MAX_ABC} are possible. "
                "Bring in the bars that are to be practised."
            )
        return file


def _written_out(data: bytes) -> str:
    """The music of a MusicXML file as ABC."""
    try:
        return to_abc(from_musicxml(data))
    except ValueError as error:  # ScoreError is one
        raise ValidationError(sentence(str(error))) from None


def _text_of(data: bytes) -> str:
    """The text of an ABC file, for looking through: what is wrong in it is marked where it can be mended."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # which reads anything
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
