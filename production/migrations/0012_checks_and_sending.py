"""Accuracy checks by the worker, models and plates in the printer's folder, approval by kind."""

import uuid

import django.db.models.deletion
from django.db import migrations, models


def name_checks(apps, schema_editor):
    """Give each earlier check an address of its own."""
    check = apps.get_model("production", "AccuracyCheck")
    for row in check.objects.only("pk"):
        check.objects.filter(pk=row.pk).update(uuid=uuid.uuid4())


class Migration(migrations.Migration):
    dependencies = [("production", "0011_review_indexes")]

    operations = [
        migrations.AddField(
            "accuracycheck", "uuid", models.UUIDField(default=uuid.uuid4, editable=False)
        ),
        migrations.RunPython(name_checks, migrations.RunPython.noop),
        migrations.AlterField(
            "accuracycheck",
            "uuid",
            models.UUIDField(default=uuid.uuid4, editable=False, unique=True),
        ),
        migrations.AddField(
            "accuracycheck",
            "status",
            models.CharField(
                choices=[
                    ("waiting", "Being measured"),
                    ("measured", "Measured"),
                    ("failed", "Could not be measured"),
                ],
                default="measured",
                max_length=8,
            ),
        ),
        migrations.AddField(
            "accuracycheck", "problem", models.TextField(blank=True, default=""), False
        ),
        migrations.AddField(
            "accuracycheck",
            "model",
            models.ForeignKey(
                blank=True,
                help_text="What was printed; empty for the check body.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="production.preparedmodel",
            ),
        ),
        migrations.AddField(
            "accuracycheck",
            "rescans",
            models.ManyToManyField(related_name="+", to="production.storedfile"),
        ),
        migrations.AddField(
            "accuracycheck",
            "picture",
            models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="production.storedfile",
            ),
        ),
        migrations.AlterField("accuracycheck", "trueness_mm", models.FloatField(null=True)),
        migrations.AlterField("accuracycheck", "precision_mm", models.FloatField(null=True)),
        migrations.AddField(
            "appliancekind",
            "approve_model",
            models.BooleanField(
                default=True,
                help_text="A person looks at the print-ready model before it is printed.",
            ),
        ),
        migrations.AddField(
            "machine",
            "hot_folder",
            models.CharField(
                blank=True,
                default="",
                help_text="Folder from which the printer takes its files. Empty: the office's.",
                max_length=300,
            ),
            preserve_default=False,
        ),
        migrations.AddField(
            "plate",
            "sent_at",
            models.DateTimeField(help_text="When it came to the printer's folder.", null=True),
        ),
        migrations.AddField(
            "plate", "sent_problem", models.TextField(blank=True, default=""), False
        ),
        migrations.AddField(
            "preparedmodel",
            "sent_at",
            models.DateTimeField(help_text="When it came to the printer's folder.", null=True),
        ),
        migrations.AddField(
            "preparedmodel", "sent_problem", models.TextField(blank=True, default=""), False
        ),
    ]
