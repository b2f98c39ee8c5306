"""Forms about people: log-in, set-up, joining, learners."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm, UsernameField
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError

from studio.people import throttle
from studio.people.models import Studio, User

_USERNAME_HELP = "Letters, digits and . _ - are possible, no spaces. Capitals make no difference."
_PASSWORD_HELP = "At least 8 characters. Three short words are easy to remember and hard to guess."
USERNAME_TAKEN = "Somebody else has this user name. Choose another one, or add a digit to it."
_NAMES = {"autocapitalize": "words", "autocomplete": "name"}


class LogInForm(AuthenticationForm):
    """User name and password. Wrong tries are counted, and after too many nothing is tried for a while."""

    resting = "Too many wrong tries. Wait a quarter of an hour, or ask your tutor for a new join link."

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"
        self.error_messages = {
            "invalid_login": "User name and password do not go together. Check both and try again; if you have "
            "forgotten them, ask your tutor for a new join link.",
            "inactive": "This log-in has ended. Ask your tutor if that is a mistake.",
        }

    def clean_username(self) -> str:
        return str(self.cleaned_data["username"]).strip().lower()

    def clean(self) -> dict[str, Any]:
        username = self.cleaned_data.get("username", "")
        if self.request is None or not username:
            return super().clean()
        if throttle.is_resting(self.request, username):
            raise ValidationError(self.resting, code="resting")
        try:
            cleaned = super().clean()
        except ValidationError:
            throttle.count_wrong_try(self.request, username)
            raise
        throttle.forget_tries(self.request, username)
        return cleaned


class _ChooseLogIn(forms.Form):
    """The fields by which somebody chooses how to log in."""

    username = UsernameField(
        label="User name",
        min_length=3,
        max_length=40,
        help_text=_USERNAME_HELP,
        validators=[UnicodeUsernameValidator()],
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        help_text=_PASSWORD_HELP,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    password_again = forms.CharField(
        label="The same password again", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "new-password"})
    )
    #: Whose user name it may already be.
    person: User | None = None

    def clean_username(self) -> str:
        username = str(self.cleaned_data["username"]).lower()
        taken = User.objects.filter(username__iexact=username)
        if self.person is not None:
            taken = taken.exclude(pk=self.person.pk)
        if taken.exists():
            raise ValidationError(USERNAME_TAKEN)
        return username

    def clean_password(self) -> str:
        password = str(self.cleaned_data["password"])
        like = User(username=self.cleaned_data.get("username", ""))
        like.display_name = self.person.display_name if self.person else ""
        validate_password(password, like)
        return password

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        again = cleaned.get("password_again")
        if "password" in cleaned and again is not None and cleaned["password"] != again:
            self.add_error("password_again", "The two passwords differ. Type the same one in both places.")
        return cleaned


class SetUpForm(_ChooseLogIn):
    """The studio and its tutor."""

    studio_name = forms.CharField(
        label="Name of the studio", max_length=120, help_text="For example a band’s learner group."
    )
    display_name = forms.CharField(
        label="Your name", max_length=80, help_text="As your learners know you.", widget=forms.TextInput(attrs=_NAMES)
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["studio_name", "display_name", "username", "password", "password_again"])


class JoinForm(_ChooseLogIn):
    """What a learner chooses by the join link."""

    def __init__(self, *args: Any, person: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.person = person


class OtherPasswordForm(PasswordChangeForm):
    """Another password for oneself."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["old_password"].label = "The password you have now"
        for name, label, help_text in (
            ("new_password1", "A new password", _PASSWORD_HELP),
            ("new_password2", "The new password again", ""),
        ):
            self.fields[name].label = label
            self.fields[name].help_text = help_text


class LearnerForm(forms.Form):
    """A learner's name, which tells learners of one studio apart."""

    display_name = forms.CharField(label="Name", max_length=80, widget=forms.TextInput(attrs={"autocomplete": "off"}))

    def __init__(self, *args: Any, studio: Studio, learner: User | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.studio = studio
        self.learner = learner

    def clean_display_name(self) -> str:
        name = " ".join(str(self.cleaned_data["display_name"]).split())
        others = self.studio.people.filter(display_name__iexact=name)
        if self.learner is not None:
            others = others.exclude(pk=self.learner.pk)
        if others.exists():
            raise ValidationError(f"There is a {name} in this studio already. Add something that tells the two apart.")
        return name
