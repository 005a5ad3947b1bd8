"""What somebody uploads never touches the disk: it may be a picture of their license."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from django.core.files.uploadedfile import InMemoryUploadedFile, UploadedFile
from django.core.files.uploadhandler import FileUploadHandler

from volunteers.papers import LARGEST

KEPT = LARGEST + 1  # bytes of all files of one request; one more than is taken shows that it was too much


class InMemory(FileUploadHandler):
    """Keeps the files of a request in memory, up to KEPT bytes together, and drops what comes after. A file
    has its true size all the same, so that a form can say that it is too large."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.left = KEPT

    def new_file(self, *args: Any, **options: Any) -> None:
        super().new_file(*args, **options)
        self.kept = BytesIO()

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        self.kept.write(raw_data[: self.left])
        self.left -= min(self.left, len(raw_data))

    def file_complete(self, file_size: int) -> UploadedFile:
        self.kept.seek(0)
        return InMemoryUploadedFile(
            file=self.kept,
            field_name=self.field_name,
            name=self.file_name,
            content_type=self.content_type,
            size=file_size,
            charset=self.charset,
            content_type_extra=self.content_type_extra,
        )
